"""A live instrument becomes a log that survives crashes, power cuts and clock changes.

description (what to ask, how to read the answer) + address → links (VISA, serial, TCP) → answers (number or
set aside) → timekeeping (UTC from the monotonic clock) → journal (append-only CSV in parts) → collector (the
loop that keeps all this going for months).
"""
