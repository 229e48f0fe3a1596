"""A table on disk becomes a record.

files (bytes) → form (what its lines and columns are) → rows (columns of numbers) → times, grid → conversion
(SI) → reader (the record).
"""
