"""A live instrument becomes a log that survives crashes, power cuts and clock changes.

``description`` (what to ask, how to read the answer: a number, or set aside) + address → ``links`` (VISA,
serial, TCP) → ``source`` (one instrument) → ``timekeeping`` (UTC from the monotonic clock) → ``journal``
(append-only CSV in parts) → ``collect`` (the loop that keeps all this going for months, its ``progress`` and
its ``result``).
"""
