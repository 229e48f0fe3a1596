"""``python -m evenbeat``: the command ``evenbeat``."""

import sys

from evenbeat.command.main import main

if __name__ == "__main__":
    sys.exit(main())
