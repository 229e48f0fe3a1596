"""``python -m evenbeat.command``."""

import sys

from evenbeat.command.main import main

sys.exit(main())
