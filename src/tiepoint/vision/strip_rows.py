"""What is known of one strip while it is measured: a row of numbers, and whole numbers beside it."""

from tiepoint.vision.strip_find import ROUGH_COLUMNS
from tiepoint.vision.strip_fit import RESULT_COLUMNS
from tiepoint.vision.strip_plateaus import PLATEAU_COLUMNS

# Its middle in px and unit direction, then its rough find, its plateaus and the results of its fit.
X, Y, DX, DY, ROUGH_AT = range(5)
FAR_AT = ROUGH_AT + ROUGH_COLUMNS
RESULT_AT = FAR_AT + PLATEAU_COLUMNS
ROW_COLUMNS = RESULT_AT + RESULT_COLUMNS
# How many of its pixels the picture shows, and how many it has; where those near its edge start, and how many they are.
INSIDE, WHOLE, FIRST, COUNT = range(4)
