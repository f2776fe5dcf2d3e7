"""What a page draws a picture's collar from, alike on all pages."""

from pydantic import BaseModel


class Graticule(BaseModel):
    """Where points of a picture lie on the plane, row by row, from the pixel (x0, y0) on, a step apart."""

    x0: float
    y0: float
    step_x: float
    step_y: float
    cols: int
    rows: int
    X: list[float]
    Y: list[float]
