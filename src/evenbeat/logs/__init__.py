"""A table on disk becomes a record.

files (bytes) → form (what its lines and columns are) → rows (columns of numbers) → sheet (both) → times, grid
→ conversion (SI) → reader (the record). What is refused is said without file and line, which
:func:`evenbeat.errors.blamed` adds where they are known.
"""
