"""The command ``evenbeat``: parse, call the library, print.

``main.py`` parses and keeps the exit status; every command has a file of its own, and ``arguments.py`` is
what they share. Exit status: 0 done, 1 out of tolerance (only with ``--fail-if-out``), 2 bad input.
"""
