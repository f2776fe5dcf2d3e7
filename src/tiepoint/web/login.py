"""Logging in and out. A name that is not known takes as long to refuse as a wrong password."""

from fastapi import APIRouter, Request, Response

from tiepoint.web.refused import refusals
from tiepoint.web.sessions import LASTS_S, Session, sessions_of
from tiepoint.web.shapes import Key, Login, SessionTold
from tiepoint.web.users import User

router = APIRouter(prefix="/api/session", tags=["session"])


@router.get("", responses=refusals(401))
async def who(request: Request) -> SessionTold:
    """Tell who asks, and what a page must send with every write."""
    sessions = sessions_of(request)
    user, session = sessions.who(request), sessions.of(request)
    return SessionTold(name=user.name, role=user.role, csrf=None if session is None else session.csrf)


@router.post("", responses=refusals(401, 415, 422))
async def log_in(request: Request, response: Response, login: Login) -> SessionTold:
    """Log a person in: the session is a cookie that scripts cannot read. Five attempts, then one every 12 s."""
    sessions = sessions_of(request)
    id_, session, user = await sessions.begin(login.name, login.password)
    return _begun(request, response, id_, session, user, LASTS_S)


@router.post("/key", responses=refusals(401, 415, 422))
async def log_in_by_key(request: Request, response: Response, login: Key) -> SessionTold:
    """Log the person at this machine in by the key that tiepoint open gave the browser; it lets in once."""
    sessions, peer = sessions_of(request), request.client.host if request.client else ""
    id_, session, user = sessions.begin_by_key(login.key, peer)
    return _begun(request, response, id_, session, user)


@router.delete("", status_code=204, responses=refusals(401))
async def log_out(request: Request, response: Response) -> None:
    """Log out; needs what every write needs."""
    sessions = sessions_of(request)
    sessions.who(request)
    sessions.end(request)
    response.delete_cookie(sessions.cookie, path="/", httponly=True, samesite="strict")


def _begun(
    request: Request, response: Response, id_: str, session: Session, user: User, lasts_s: float | None = None
) -> SessionTold:
    """Give the cookie; it lasts as long as the browser where nothing else is said."""
    sessions = sessions_of(request)
    sessions.end(request)  # whoever was logged in here before
    response.set_cookie(
        sessions.cookie,
        id_,
        max_age=None if lasts_s is None else int(lasts_s),
        path="/",
        secure=sessions.cookie.startswith("__Host-"),
        httponly=True,
        samesite="strict",
    )
    request.state.user = user.name
    return SessionTold(name=user.name, role=user.role, csrf=session.csrf)
