"""A table on disk becomes a record.

files (bytes) → detect (form) → headers (meaning) → tables (columns) → timestamps, grid (time) →
conversion (SI), display (resolution) → reader (the record).
"""
