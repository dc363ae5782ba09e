"""`python -m standingwatch`."""

import sys

from standingwatch.cli import main

sys.exit(main())
