"""Pictures in another order than the lamps, on surfaces of closed form: told by the curl of their slopes."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.foundation.reasons import FLAGS
from tiepoint.vision.relief import relief_of
from tiepoint.vision.relief_lights import Light, Lights
from tiepoint.vision.relief_order import order_doubt

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "lit_scenes.py")))

IDS = ("east", "north", "west", "south")
SHAPE = (140, 180)


def told(kind, order, seed=0, elevation=45.0, **more):
    """Return the relief of pictures of which the one at place k was taken under the lamp order[k]."""
    lamps = scenes.directions(elevation)
    shown = scenes.pictures(kind, SHAPE, lamps, seed=seed, **more)
    lights = Lights(tuple(Light(id_, d) for id_, d in zip(IDS, lamps, strict=True)))
    return relief_of([shown[k] for k in order], lights, register=False)


def is_doubted(relief):
    return "order_doubtful" in relief.flags


STATED, HALF_TURN = (0, 1, 2, 3), (2, 3, 0, 1)
# All other turns of a ring of four, and its mirrors.
OTHERS = [(1, 2, 3, 0), (3, 0, 1, 2), (3, 2, 1, 0), (0, 3, 2, 1), (2, 1, 0, 3), (1, 0, 3, 2)]


@pytest.mark.parametrize(("kind", "order"), [(k, o) for k in ("dots", "dented") for o in OTHERS[::2]])
def test_another_order_is_told_and_named(kind, order):
    relief = told(kind, order)
    assert is_doubted(relief)
    assert ", ".join(IDS[k] for k in order) in relief.notes[-1]
    assert FLAGS["order_doubtful"].forbids


@pytest.mark.parametrize("kind", ["dots", "dented", "printed dots"])
@pytest.mark.parametrize(("gloss", "elevation"), [(0.0, 30.0), (0.3, 45.0)])
def test_the_right_order_is_not_doubted(kind, gloss, elevation):
    assert not is_doubted(told(kind, STATED, 1, elevation=elevation, gloss=gloss))


def test_where_nothing_tells_nothing_is_said():
    # A half turn makes pits of bumps, whose slopes have no curl either; a print has no slopes.
    assert not is_doubted(told("dots", HALF_TURN))
    for order in (STATED, *OTHERS[:2]):
        assert not is_doubted(told("print", order, sigma=3.0))


def test_a_surface_has_no_curl_and_a_turned_one_has_all_of_its_curvature():
    # By hand: z = x²/2 + y²/4 + 0.3xy has slopes p = x + 0.3y, q = 0.3x + y/2, no curl. Turned by a quarter, (−q, p),
    # its curl is its Laplacian 1.5, where the squares of all four derivatives sum to 1 + 0.25 + 2·0.09.
    y, x = (np.mgrid[:120, :120] - 59.5) * 0.01
    used, matrix, pulls = np.full(x.shape, 15, np.uint16), np.diag([1.0, -1.0]), scenes.directions(45.0)
    y = -y
    p, q = ((x + 0.3 * y).astype(np.float32), (0.3 * x + 0.5 * y).astype(np.float32))
    assert order_doubt((p, q), used, matrix, pulls, 1e-6, IDS) is None
    turned = (-q, p)
    doubt = order_doubt(turned, used, matrix, pulls, 1e-6, IDS)
    assert doubt.curl == pytest.approx(1.5**2 / 1.43, rel=1e-3)
    assert doubt.left < 1e-6
    assert set(doubt.orders) == {tuple(IDS[k] for k in order) for order in ((1, 2, 3, 0), (3, 0, 1, 2))}
    # Lamps that make no even ring have no other order that would agree as well.
    assert order_doubt(turned, used, matrix, pulls * [[1.0], [0.8], [0.9], [0.7]], 1e-6, IDS) is None
    # Where lamps were left out, slopes are no witnesses.
    assert order_doubt(turned, used & 7, matrix, pulls, 1e-6, IDS) is None
