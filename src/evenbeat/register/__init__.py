"""The register: instruments, their calibrations and assessments in one file that only grows.

::

    facts.py           Instrument, Calibration, KeptAssessment: what is kept, checked when it comes in
    entries.py         Entry: one row of the register, and the hash that chains it to the row before
    schema.py          the tables, triggers and views of the file, and its version
    store.py           connections and transactions
    register.py        Register: the one thing to use
    tables.py          comma-separated tables in and out
    verification.py    whether anything was changed since it was written
"""
