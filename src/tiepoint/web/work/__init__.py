"""The routes of the workbench, one file a page; each adds its router here."""

from fastapi import APIRouter

from tiepoint.web.work import editing, light, working

ROUTERS: tuple[APIRouter, ...] = (
    editing.router,
    light.router,
from tiepoint.web.work import editing, staging, working

ROUTERS: tuple[APIRouter, ...] = (
    editing.router,
    staging.router,
    working.router,
)
