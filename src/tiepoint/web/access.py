"""The access log: a line of JSON for each request, in files that are turned over before they grow large."""

import json
import logging
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any

from tiepoint.foundation.errors import UnusableInput
from tiepoint.web.users import make_private

LARGEST, FILES = 10_000_000, 10
LONGEST = 300


class _Handler(RotatingFileHandler):
    def handleError(self, record: logging.LogRecord) -> None:  # the name that logging knows
        """Do nothing: a disk that takes no line keeps nobody from looking, and the next line is tried again."""


class AccessLog:
    """The log in a file. No query, body, cookie or token is ever written into it."""

    def __init__(self, path: Path) -> None:
        make_private(path.parent)
        try:
            self._handler = _Handler(path, maxBytes=LARGEST, backupCount=FILES - 1, encoding="utf-8", delay=True)
        except OSError as error:
            raise UnusableInput(f"cannot keep an access log in {path}: {error.strerror}") from error

    def write(self, **about: Any) -> None:
        """Add a line; texts of the other side are cut to length."""
        cut = {key: value[:LONGEST] if isinstance(value, str) else value for key, value in about.items()}
        line = json.dumps(cut, ensure_ascii=True)
        self._handler.handle(logging.LogRecord("access", logging.INFO, "", 0, line, None, None))

    def close(self) -> None:
        """Let go of the file."""
        self._handler.close()
