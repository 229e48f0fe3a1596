"""Logs that are no plain table: open exchange formats of clocks, and files of binary columns."""
