"""Sweeps that people already have, as text, brought into an archive as if they had been swept.

files ─► first pass: clocks and places of all sweeps ─► in order of time, without doubles
      ─► second pass: levels ─► the checks of live sweeps ─► meter ─► archive
"""
