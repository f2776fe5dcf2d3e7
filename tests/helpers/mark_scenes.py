"""Recipes over drawn marks: a symbol in a picture, and what a step reads there."""

import tomllib
from types import MappingProxyType

import cv2
import numpy as np
import zxingcpp

from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, Seen, run

HEAD = 'format = "tiepoint/recipe/1"\nname = "marks"\n'
STEP = '[[step]]\nname = "mark"\nkind = "code"\nin = "image"\n'


def drawn(text, kind="DataMatrix", cell_px=5, **options):
    """Return a symbol of zxing-cpp's own writer (rows, columns) with its quiet zone, black on white."""
    symbol = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, kind), **options)
    return np.ascontiguousarray(np.array(symbol.to_image(scale=cell_px)))


def on_ground(symbol, size=(300, 400), at=(80, 60), dark=40, light=190, noise=2.0, seed=0):
    """Return a picture (rows, columns) of a symbol whose first pixel lies at (x, y), with noise and slight blur."""
    picture = np.full(size, 255, np.uint8)
    x, y = at
    picture[y : y + symbol.shape[0], x : x + symbol.shape[1]] = symbol
    grey = cv2.GaussianBlur(dark + (light - dark) / 255 * picture.astype(float), (0, 0), 0.7)
    return np.clip(grey + np.random.default_rng(seed).normal(0, noise, size), 0, 255).astype(np.uint8)


def recipe(keys="", step=STEP, row=None):
    return read_recipe(tomllib.loads(HEAD + step + keys), row=row)


def record(picture, keys="", step=STEP, part_id=None, row=None, others=None):
    """Return the record that a recipe of one step makes of a picture; `others`: further pictures by role."""
    return record_of(recipe(keys, step, row), picture, part_id, others)


def record_of(made, picture, part_id=None, others=None):
    """Return the record that a recipe makes of a picture."""
    return outcome_of(made, picture, part_id, others).record


def outcome_of(made, picture, part_id=None, others=None):
    """Return the record, and what is drawn of it."""
    grey = {"picture": picture, **(others or {})}
    rows, cols = picture.shape
    pictures = tuple(Picture(role, "0" * 64, (cols, rows), 8, "Mono8") for role in grey)
    shot = Shot("shot", pictures, part_id=part_id)
    return run(Job(made, None), Seen(shot, MappingProxyType(grey), {}))


def read(picture, keys="", **more):
    """Return the readings by quantity."""
    return {reading.quantity: reading for reading in record(picture, keys, **more).readings}
