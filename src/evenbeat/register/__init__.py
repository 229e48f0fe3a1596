"""The register: instruments, calibrations, events and assessments in one file that only grows.

::

    facts.py           Instrument, Calibration, Event, KeptAssessment: what is kept, checked when it comes in
    store.py           the file: tables, triggers and views, its version, transactions; and heads seen before,
                       kept outside of it by the account
    register.py        Register: the one thing to use; Entry: one row, chained to the row before by its hash
    tables.py          tables in and out
    verification.py    whether anything was changed since it was written, or cut off
    trace.py           what rests on a reference that was found out
    promises.py        how often promises were kept: realised reliability
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
