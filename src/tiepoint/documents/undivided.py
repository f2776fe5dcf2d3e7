"""What must be done whole, once begun: a program that is asked to stop waits for its end."""

_under_way: list["Undivided"] = []


class Undivided:
    """Hold back, inside a `with`, what would stop the program from outside. For moments, never for long work."""

    def __enter__(self) -> None:
        """Begin."""
        _under_way.append(self)

    def __exit__(self, *error: object) -> None:
        """End."""
        _under_way.remove(self)


def is_under_way() -> bool:
    """Return whether something is being done that must be done whole."""
    return bool(_under_way)
