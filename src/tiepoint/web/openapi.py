"""`python -m tiepoint.web.openapi`: the documentation of the routes as JSON, from which clients are generated."""

import json
import sys


def main() -> int:
    """Print it."""
    from tiepoint.web.app import openapi

    sys.stdout.write(json.dumps(openapi(), indent=1, ensure_ascii=True, sort_keys=True) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
