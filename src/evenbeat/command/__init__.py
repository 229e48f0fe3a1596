"""The command ``evenbeat``: parse, call the library, print.

``main.py`` parses and keeps the exit status; every command has a file, which is loaded when it is called; and
``stated.py`` joins bench file, ``--set`` and options. Exit status: 0 done, 1 out of tolerance (only with
``--fail-if-out``), 2 bad input, 3 a fault of evenbeat itself.
"""
