"""``python -m nightferry``."""

import sys

from nightferry.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
