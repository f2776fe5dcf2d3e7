"""`python -m tiepoint.web`."""

import sys

from tiepoint.web.process import main

if __name__ == "__main__":
    sys.exit(main())
