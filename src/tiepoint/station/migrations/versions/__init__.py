"""The steps. Each is named after the version that it leads to; none is ever changed once it was released."""
