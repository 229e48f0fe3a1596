"""Logs too long for the memory: read in blocks and written as columns that open at once."""
