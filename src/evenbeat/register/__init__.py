"""The register: instruments, their calibrations and assessments in one file that only grows.

::

    facts.py           Instrument, Calibration, KeptAssessment: what is kept, checked when it comes in
    store.py           the file: tables, triggers and views, its version, transactions
    register.py        Register: the one thing to use; Entry: one row, chained to the row before by its hash
    tables.py          tables in and out
    verification.py    whether anything was changed since it was written
"""
