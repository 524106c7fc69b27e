"""``python -m clackcount``."""

import sys

from clackcount.cli.main import main

sys.exit(main())
