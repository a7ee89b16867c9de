"""``python -m reviewkit`` is the command line."""

import sys

from reviewkit.cli import main

sys.exit(main())
