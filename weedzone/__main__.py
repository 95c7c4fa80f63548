"""Run the command line by ``python -m weedzone``."""

import sys

from weedzone.cli import main

sys.exit(main())
