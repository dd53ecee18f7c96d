"""What each address needs, in one table: nothing, or an account of a role. What does not stand here is closed to all
but those who manage, and a test fails (`tests/web/test_every_route.py`)."""

from __future__ import annotations

import re
from functools import lru_cache

from starlette.routing import compile_path

from monitor.records.acknowledge_links import PATH as LINKS
from monitor.web.reader import ATTEND, LOOK, MANAGE

OPEN = "open"
"""Needs no account: what it shows is of nobody, or it asks for a permission of its own."""

NEEDS: dict[tuple[str, str], str] = {
    # For supervisors and collectors: how the service is, nothing of a site.
    ("GET", "/healthz"): OPEN,
    ("GET", "/metrics"): OPEN,
    ("GET", "/static/{path:path}"): OPEN,
    ("GET", "/service-worker.js"): OPEN,
    ("GET", "/sign-in"): OPEN,
    ("POST", "/sign-in"): OPEN,
    # The signed link of a notice is the permission, for the alarms of this notice.
    ("GET", LINKS + "{token:path}"): OPEN,
    ("POST", LINKS + "{token:path}"): OPEN,
    # Pages.
    ("GET", "/"): LOOK,
    ("GET", "/live"): LOOK,
    ("GET", "/fans"): LOOK,
    ("GET", "/fans/{site}"): LOOK,
    ("GET", "/fans/{site}/{fan}"): LOOK,
    ("GET", "/fans/{site}/{fan}/service"): LOOK,
    ("POST", "/fans/{site}/{fan}/service/{form}"): ATTEND,
    ("GET", "/morning"): LOOK,
    ("GET", "/fans/{site}/{fan}/job"): LOOK,
    ("GET", "/jobs"): LOOK,
    ("GET", "/jobs/{number}"): LOOK,
    ("POST", "/fans/{site}/{fan}/job"): ATTEND,
    ("POST", "/jobs/{number}/close"): ATTEND,
    ("POST", "/jobs/{number}/drop"): ATTEND,
    ("GET", "/alarms"): LOOK,
    ("GET", "/alarms/{number}"): LOOK,
    ("GET", "/loggers"): LOOK,
    ("GET", "/notices"): LOOK,
    ("GET", "/register"): LOOK,
    ("GET", "/register/sites/{site}"): LOOK,
    ("GET", "/register/fans/{site}/{fan}"): LOOK,
    ("GET", "/register/fans/{site}/{fan}/file"): LOOK,
    ("GET", "/review"): LOOK,
    ("GET", "/review/{token}"): LOOK,
    ("GET", "/review/{token}/{name}"): LOOK,
    ("POST", "/alarms/{number}/acknowledge"): ATTEND,
    ("POST", "/alarms/{number}/shelve"): ATTEND,
    ("POST", "/alarms/{number}/unshelve"): ATTEND,
    ("POST", "/out-of-service"): ATTEND,
    ("POST", "/return-to-service"): ATTEND,
    ("POST", "/sites/{site}/tonight"): ATTEND,
    ("POST", "/fans/{site}/{fan}/planned-stop"): ATTEND,
    ("POST", "/review/window"): ATTEND,
    ("POST", "/review/log"): ATTEND,
    ("GET", "/loggers/take-on"): MANAGE,
    ("POST", "/loggers/take-on"): MANAGE,
    ("POST", "/notices/routes/{name}/test"): MANAGE,
    # One's own account, and people.
    ("POST", "/sign-out"): LOOK,
    ("GET", "/account"): LOOK,
    ("POST", "/account/password"): LOOK,
    ("POST", "/account/sign-out-everywhere"): LOOK,
    ("POST", "/account/tokens"): LOOK,
    ("POST", "/account/tokens/{token}/revoke"): LOOK,
    ("GET", "/people"): MANAGE,
    ("POST", "/people"): MANAGE,
    ("POST", "/people/first"): MANAGE,
    ("GET", "/register/sites/new"): MANAGE,
    ("POST", "/register/sites/new"): MANAGE,
    ("POST", "/register/sites/{site}"): MANAGE,
    ("GET", "/register/fans/new"): MANAGE,
    ("POST", "/register/fans/new"): MANAGE,
    ("POST", "/register/fans/{site}/{fan}"): MANAGE,
    ("POST", "/register/fans/{site}/{fan}/file"): MANAGE,
    ("POST", "/register/fans/{site}/{fan}/remove"): MANAGE,
    ("GET", "/people/{account}"): MANAGE,
    ("POST", "/people/{account}"): MANAGE,
    ("POST", "/people/{account}/reset"): MANAGE,
    ("POST", "/people/{account}/disable"): MANAGE,
    ("POST", "/people/{account}/enable"): MANAGE,
    ("POST", "/people/{account}/tokens/{token}/revoke"): MANAGE,
    # The API.
    ("GET", "/api/v1/openapi.json"): LOOK,
    ("GET", "/api/v1/review.schema.json"): LOOK,
    ("GET", "/api/v1/fans"): LOOK,
    ("GET", "/api/v1/sites"): LOOK,
    ("POST", "/api/v1/sites"): MANAGE,
    ("GET", "/api/v1/sites/{site}"): LOOK,
    ("PUT", "/api/v1/sites/{site}"): MANAGE,
    ("GET", "/api/v1/fans/{site}/{fan}/nameplate"): LOOK,
    ("PUT", "/api/v1/fans/{site}/{fan}/nameplate"): MANAGE,
    ("DELETE", "/api/v1/fans/{site}/{fan}"): MANAGE,
    ("GET", "/api/v1/fans/{site}/{fan}"): LOOK,
    ("GET", "/api/v1/fans/{site}/{fan}/readings"): LOOK,
    ("GET", "/api/v1/fans/{site}/{fan}/service"): LOOK,
    ("GET", "/api/v1/morning"): LOOK,
    ("GET", "/api/v1/jobs"): LOOK,
    ("GET", "/api/v1/jobs/{number}"): LOOK,
    ("POST", "/api/v1/fans/{site}/{fan}/jobs"): ATTEND,
    ("POST", "/api/v1/jobs/{number}/close"): ATTEND,
    ("POST", "/api/v1/jobs/{number}/drop"): ATTEND,
    ("GET", "/api/v1/alarms"): LOOK,
    ("GET", "/api/v1/alarms/figures"): LOOK,
    ("GET", "/api/v1/alarms/{number}"): LOOK,
    ("GET", "/api/v1/alarms/{number}/notices"): LOOK,
    ("GET", "/api/v1/out-of-service"): LOOK,
    ("GET", "/api/v1/loggers"): LOOK,
    ("GET", "/api/v1/live"): LOOK,
    ("GET", "/api/v1/notices"): LOOK,
    ("GET", "/api/v1/routes"): LOOK,
    ("POST", "/api/v1/alarms/{number}/acknowledge"): ATTEND,
    ("POST", "/api/v1/alarms/{number}/shelve"): ATTEND,
    ("POST", "/api/v1/alarms/{number}/unshelve"): ATTEND,
    ("POST", "/api/v1/fans/{site}/{fan}/out-of-service"): ATTEND,
    ("POST", "/api/v1/fans/{site}/{fan}/return-to-service"): ATTEND,
    ("POST", "/api/v1/fans/{site}/{fan}/planned-stop"): ATTEND,
    ("POST", "/api/v1/fans/{site}/{fan}/service"): ATTEND,
    ("POST", "/api/v1/sites/{site}/out-of-service"): ATTEND,
    ("POST", "/api/v1/sites/{site}/return-to-service"): ATTEND,
    ("POST", "/api/v1/sites/{site}/tonight"): ATTEND,
    ("POST", "/api/v1/routes/{name}/test"): MANAGE,
}

_STRICTER = (OPEN, LOOK, ATTEND, MANAGE)


@lru_cache(maxsize=1)
def _compiled() -> tuple[tuple[str, re.Pattern[str], str], ...]:
    return tuple((method, compile_path(path)[0], need) for (method, path), need in NEEDS.items())


def need_of(method: str, path: str) -> str | None:
    """What a request needs: OPEN or a role; None for what does not stand in the table.

    Where more than one row fits the strictest holds.

    >>> need_of("HEAD", "/healthz"), need_of("POST", "/review/log"), need_of("POST", "/nowhere")
    ('open', 'attend', None)
    """
    asked = "GET" if method == "HEAD" else method
    found = [need for one, pattern, need in _compiled() if one == asked and pattern.match(path)]
    return max(found, key=_STRICTER.index, default=None)
