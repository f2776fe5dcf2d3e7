"""`python -m tiepoint.station.duty STATION`."""

import sys

from tiepoint.station.duty.process import main

if __name__ == "__main__":
    sys.exit(main())
