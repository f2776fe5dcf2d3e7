"""The routes of the workbench, one file a page, each with its `router`; a page adds its name here, on a line."""

from importlib import import_module

from fastapi import APIRouter

NAMES = (
    "duty",
    "editing",
    "evidence",
    "light",
    "pictures",
    "plan",
    "prove",
    "prove_made",
    "prove_runs",
    "prove_stated",
    "recipe",
    "replaying",
    "see",
    "see_cameras",
    "see_lamps",
    "staging",
    "target",
    "tie",
    "tie_moved",
    "tie_robot",
    "tie_taken",
    "working",
)

ROUTERS: tuple[APIRouter, ...] = tuple(import_module(f"tiepoint.web.work.{name}").router for name in NAMES)
