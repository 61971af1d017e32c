"""The conformance kit on any installed driver and any sweeper, simulated or real::

    pytest --pyargs acqd.testing.suite --driver scpi --address tcp://192.0.2.17:5025

:mod:`acqd.testing.plugin` has the options; ``docs/drivers.md`` says what is asked and what each
option lets be tried.
"""
