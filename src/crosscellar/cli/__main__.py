"""`python -m crosscellar.cli`: the same as the command `crosscellar`."""

import sys

from crosscellar.cli import main

sys.exit(main())
