"""The file of a register: tables, triggers that refuse changes, views for any SQLite tool, and a version.

Nothing in the file may be updated or deleted, and a row can only be added at the end of the chain:
triggers refuse everything else, ``INSERT OR REPLACE`` included. Whoever removes the triggers first can
still change rows; the chain of hashes then tells (:mod:`evenbeat.register.verification`).
"""

from __future__ import annotations

SCHEMA_VERSION = 1
APPLICATION_ID = 0x45424254
"""Marks the file as a register of ours (SQLite's ``application_id``; the letters EBBT)."""

ENTRIES = """
CREATE TABLE entries (
  number      INTEGER PRIMARY KEY CHECK (number > 0),
  kind        TEXT NOT NULL CHECK (kind IN ('instrument', 'calibration', 'assessment')),
  instrument  TEXT NOT NULL CHECK (length(instrument) > 0),
  content     TEXT CHECK (content IS NULL OR json_valid(content)),
  corrects    INTEGER UNIQUE REFERENCES entries (number),
  reason      TEXT,
  written_at  TEXT NOT NULL,
  software    TEXT NOT NULL,
  former_hash TEXT NOT NULL,
  hash        TEXT NOT NULL UNIQUE CHECK (length(hash) = 64),
  CHECK (corrects IS NULL OR corrects < number),
  CHECK ((corrects IS NULL) = (reason IS NULL)),
  CHECK (content IS NOT NULL OR corrects IS NOT NULL)
)
"""

INDEX = "CREATE INDEX entries_of_instrument ON entries (instrument, kind)"

NO_UPDATE = """
CREATE TRIGGER entries_never_change BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'the register only grows: add a correction instead of changing an entry'); END
"""

NO_DELETE = """
CREATE TRIGGER entries_never_vanish BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'the register only grows: add a withdrawal instead of deleting an entry'); END
"""

ONLY_AT_THE_END = """
CREATE TRIGGER entries_follow_each_other BEFORE INSERT ON entries
WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
  OR NEW.former_hash IS NOT coalesce((SELECT hash FROM entries ORDER BY number DESC LIMIT 1), '')
BEGIN SELECT RAISE(ABORT, 'the register only grows at its end: number and former hash must follow'); END
"""

STANDING = """
CREATE VIEW standing_entries AS
SELECT * FROM entries AS entry
WHERE content IS NOT NULL AND NOT EXISTS (SELECT 1 FROM entries AS later WHERE later.corrects = entry.number)
"""

CALIBRATIONS = """
CREATE VIEW calibrations AS
SELECT number, instrument,
       json_extract(content, '$.date') AS date,
       json_extract(content, '$.as_found') AS as_found,
       json_extract(content, '$.as_left') AS as_left,
       json_extract(content, '$.standard_uncertainty') AS standard_uncertainty,
       json_extract(content, '$.adjusted') AS adjusted,
       json_extract(content, '$.certificate') AS certificate,
       json_extract(content, '$.remark') AS remark
FROM standing_entries WHERE kind = 'calibration' ORDER BY instrument, date
"""

STATEMENTS = (ENTRIES, INDEX, NO_UPDATE, NO_DELETE, ONLY_AT_THE_END, STANDING, CALIBRATIONS)
