"""Warnings of libraries that read files for us: what they are unsure of becomes a sentence here, or does not matter."""

import re
import warnings


def silence(module: str) -> None:
    """Ignore the warnings that the modules whose names begin with a pattern give, for good.

    `warnings.catch_warnings` sets the filters of all threads for a while and puts them back: of two threads, the one
    that ends last puts back what the other had set. A filter that stays, for one library, needs no putting back.
    """
    # As `warnings.filterwarnings` keeps it.
    if ("ignore", None, Warning, re.compile(module), 0) not in warnings.filters:
        warnings.filterwarnings("ignore", module=module)
