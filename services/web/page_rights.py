"""What each page of a club asks of whoever opens it: a right, a sign-in, nothing. One not listed is closed.

At home none of this is asked.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from enum import Enum
from functools import cache
from typing import Final

from rules.roles import Member, Reach, Right, reach


class Door(Enum):
    """A page that is of no household."""

    ANYONE = "anyone"
    BY_LINK = "whoever has a household's link from a mail"
    SIGNED_IN = "who has signed in"


Decision = Right | Door
DECISIONS: Final[dict[Decision, dict[str, str]]] = {
    Door.ANYONE: {
        "GET": "/static/{mark}/{name} /careful /sign-in /invited/{token} /forgotten /forgotten/{token}",
        "POST": "/sign-in /invited/{token} /forgotten /forgotten/{token}",
    },
    Door.BY_LINK: {"GET": "/a/{token}", "POST": "/a/{token}"},
    Door.SIGNED_IN: {
        "GET": "/households /me /pot",
        "POST": "/sign-out /households/{number} /me/password /me/everywhere /me/leave/{number} "
        "/pot/immersed /pot/undo",
    },
    Right.LOOK: {
        "GET": "/ /chains /chains/{number} /chains.ics /care /care/log /care/sheet /wear /wear/compare /why "
        "/why/{number} /wax-night /year /corrections /how-it-judges /api/openapi.json /api/chains "
        "/api/chains/{number} /api/reminders /api/reminders/{number}",
    },
    Right.RIDES: {
        "GET": "/rides /rides/{number} /files /api/rides /api/rides/{number} /api/suppose/bike "
        "/api/suppose/conditions",
    },
    Right.CARE: {
        "GET": "/care/reading /care/wipe-test",
        "POST": "/care/treatment /care/reading /care/wipe-test /care/take-back /why/{number}/done "
        "/why/{number}/put-off /why/{number}/dismiss /why/{number}/again /corrections/{number}/undo",
    },
    Right.FIT: {
        "GET": "/begin/chains /settings/chains",
        "POST": "/begin/chains /settings/chains /settings/fit /settings/take-off /settings/fitting-was-not "
        "/wax-night/supplies /wax-night/supplies/end /wear/trial /wear/trial/end",
    },
    Right.ANSWER: {
        "GET": "/begin/files /drop/reading /rides/answer",
        "POST": "/drop/files /drop/piece /drop/read /drop/throw-away /files/a-ride /rides/answer "
        "/rides/put /rides/tell /rides/{number}/bike /rides/{number}/conditions /rides/{number}/ground "
        "/rides/{number}/no-ride /rides/{number}/own-outing",
    },
    Right.EQUIP: {
        "GET": "/begin /begin/riders /begin/bikes /settings/riders /settings/bikes /settings/sensors "
        "/settings/limits",
        "POST": "/begin/riders /begin/bikes /begin/enough /settings/riders /settings/bikes "
        "/settings/bikes/left /settings/sensors /settings/sensors/forget /settings/limits "
        "/settings/limits/own",
    },
    Right.TAKE_AWAY: {"GET": "/export/{name}.csv /export/{name}.json /export/wear-report.html"},
    Right.PEOPLE: {"GET": "/people", "POST": "/people/invite /people/take-back /people/{number}/let-go"},
    # Written beside the database, by whoever runs the club: nobody's here.
    Right.RUN: {
        "GET": "/begin/reminders /settings /settings/channels /settings/folders /settings/more "
        "/settings/quiet",
        "POST": "/begin/mail /begin/desktop /settings/channels/try /settings/channels/again "
        "/settings/folders /settings/folders/forget /settings/set/{form} /settings/starts-by-itself",
    },
}


@cache
def _by_path() -> tuple[dict[tuple[str, str], Decision], list[tuple[str, re.Pattern[str], Decision]]]:
    exact: dict[tuple[str, str], Decision] = {}
    shaped: list[tuple[str, re.Pattern[str], Decision]] = []
    for decision, methods in DECISIONS.items():
        for method, paths in methods.items():
            for path in paths.split():
                if "{" in path:
                    shape = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(path))
                    shaped.append((method, re.compile(shape), decision))
                else:
                    exact[method, path] = decision
    return exact, shaped


def decided(method: str, path: str) -> Decision | None:
    """What this page asks; None = nobody decided, and nobody is let in."""
    exact, shaped = _by_path()
    if (method, path) in exact:
        return exact[method, path]
    return next((one for verb, shape, one in shaped if verb == method and shape.fullmatch(path)), None)


def allowed(member: Member, method: str, path: str) -> bool:
    """Whether this member may open the page at all; what they may say there, the gate decides."""
    decision = decided(method, path)
    if isinstance(decision, Right):
        return reach(member, decision) is not Reach.NONE
    return decision is not None


_FORM = re.compile(r'<form method="post" action="([^"?#]*)[^>]*>.*?</form>', re.DOTALL)


def without_closed_forms(html: str, may: Callable[[str, str], bool]) -> str:
    """The page without forms that would be refused to who looks at it."""
    return _FORM.sub(lambda form: form[0] if may(form[1], "POST") else "", html)
