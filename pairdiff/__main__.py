"""`python -m pairdiff` is the command `pairdiff`."""

import sys

from pairdiff._cli import main

if __name__ == "__main__":
    sys.exit(main())
