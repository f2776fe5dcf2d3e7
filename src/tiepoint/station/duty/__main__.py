"""`python -m tiepoint.station.duty STATION`."""

import sys

if __name__ == "__main__":
    # Here, since every process that judges looks at this module too, and needs none of it.
    from tiepoint.station.duty import beginning

    beginning.load()
    from tiepoint.station.duty.process import main

    sys.exit(main())
