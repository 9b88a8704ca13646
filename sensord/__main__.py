"""``python -m sensord`` is ``nestclimate``."""

import sys

from sensord.cli import main

sys.exit(main())
