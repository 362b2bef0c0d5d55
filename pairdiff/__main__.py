"""`python -m pairdiff` is the command `pairdiff`."""

import sys

from pairdiff._watch import main

if __name__ == "__main__":
    sys.exit(main())
