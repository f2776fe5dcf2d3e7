"""Paths and addresses as `station.toml` names them: longer than names are, and of one line."""

from typing import Annotated

from pydantic import Field

Place = Annotated[str, Field(min_length=1, max_length=1000, pattern=r"^[^\u0000-\u001f\u007f-\u009f]+$")]
