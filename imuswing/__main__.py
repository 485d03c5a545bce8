"""`python -m imuswing`."""

import sys

from imuswing.cli import main

sys.exit(main())
