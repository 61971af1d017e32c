"""The pytest plugin of the conformance kit. Imported in every pytest run of an environment that has
acqd, so nothing heavy is imported here."""

from __future__ import annotations
