"""The HTML dress of a mail: paper, ink and one deep green; no picture, nothing loaded from anywhere."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

# Mail programs differ in what they keep of a style sheet: what matters is written on the element itself, the
# sheet only turns it dark when the reader's system is.
_DARK = """
@media (prefers-color-scheme: dark) {
  body, .paper { background: #1c1b19 !important; color: #ece7db !important }
  .soft { color: #b3ac9e !important }
  .rule { border-color: #423e37 !important }
  .act { color: #9cc0aa !important; border-color: #9cc0aa !important }
  .press { background: #1c1b19 !important }
  .main { background: #9cc0aa !important; color: #1c1b19 !important }
  code { background: #262421 !important; color: #ece7db !important }
}
"""
_ADDRESS = re.compile(r"https?://[A-Za-z0-9./_-]+")
_SERIF = "font-family:Georgia,'Times New Roman',serif;font-weight:600"
_SANS = "font-family:system-ui,-apple-system,'Segoe UI',Roboto,sans-serif"
_INK, _SOFT, _LINE, _PAPER, _ACT = "#23211d", "#5f5a50", "#cfc8b9", "#f6f3ec", "#2f4a3c"


@dataclass(frozen=True, slots=True)
class Link:
    """Words that lead somewhere."""

    label: str
    url: str
    writes: bool = False  # it leads to a button that writes something down
    main: bool = False  # it says that the work is done; no answer to a question is


@dataclass(frozen=True, slots=True)
class Block:
    """One thing said: what to do, the facts, where to press, what to type."""

    headline: str
    said: tuple[str, ...] = ()
    links: tuple[Link, ...] = ()
    commands: tuple[tuple[str, str], ...] = ()  # (label, command)


def mail_page(
    title: str, blocks: Sequence[Block], foot: Sequence[str], *, careful: str = "", whole: Link | None = None
) -> str:
    """A whole HTML document. Every string is escaped; a link that is not http(s) is left out.

    A block that is called as the whole mail has no second heading.  careful: in one line; whole: all of it.
    """
    body = "".join(_section(block, title) for block in blocks)
    if careful:
        more = f" {_anchor(whole)}" if whole else ""
        body += (
            f'<p class="soft rule" style="margin:1.2rem 0 0;padding-top:.9rem;border-top:1px solid {_LINE};'
            f'color:{_SOFT}"><strong>Careful:</strong> {escape(careful)}{more}</p>\n'
        )
    notes = "".join(f'<p style="margin:.3em 0">{_with_links(words)}</p>' for words in foot)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>{escape(title)}</title><style>{_DARK}</style></head>\n"
        f'<body style="margin:0;padding:0;background:{_PAPER};color:{_INK}">'
        f'<div class="paper" style="max-width:34rem;margin:0 auto;padding:1.6rem 1.4rem;background:{_PAPER};'
        f'color:{_INK};{_SANS};font-size:16px;line-height:1.5">\n'
        f'<h1 style="{_SERIF};font-size:1.4rem;line-height:1.25;margin:0 0 .4rem">{escape(title)}</h1>\n'
        f"{body}"
        f'<div class="soft" style="color:{_SOFT};font-size:.85rem;margin-top:1rem">{notes}</div>\n'
        "</div></body></html>\n"
    )


def _section(block: Block, title: str) -> str:
    style = f"{_SERIF};font-size:1.15rem;line-height:1.3;margin:0 0 .3rem"
    heading = (
        f'<h2 style="{style}">{escape(block.headline)}</h2>'
        if block.headline and not title.endswith(block.headline)
        else ""
    )
    said = "".join(f'<p style="margin:.4rem 0">{escape(words)}</p>' for words in block.said)
    presses = "".join(map(_press, block.links))
    presses = presses and f'<p style="margin:.8rem 0 0">{presses}</p>'
    commands = "".join(
        f'<p class="soft" style="margin:.4rem 0;color:{_SOFT}">{escape(label)}{_colon(label)} '
        f'<code style="display:inline-block;background:#fffdf8;color:{_INK};padding:.1em .35em">'
        f"{escape(command)}</code></p>"
        for label, command in block.commands
    )
    ruled = f' class="rule" style="border-top:1px solid {_LINE};margin-top:1.2rem;padding-top:.9rem"'
    return f"<div{ruled if heading else ''}>{heading}{said}{presses}{commands}</div>\n"


def _colon(label: str) -> str:
    return "" if label.endswith("?") else ":"


def _with_links(words: str) -> str:
    return _ADDRESS.sub(r'<a class="soft" style="color:inherit" href="\g<0>">\g<0></a>', escape(words))


def _press(link: Link) -> str:
    """A link to press with a thumb: filled where it says that the work is done, else outlined."""
    if not link.writes:
        return _anchor(link, "display:inline-block;padding:.6rem 0;margin-right:.8rem;")
    ink, ground, css = (_PAPER, _ACT, "press main") if link.main else (_ACT, _PAPER, "press act")
    return _anchor(
        link,
        "display:inline-block;padding:.55rem 1rem;margin:0 .5rem .5rem 0;border-radius:.3rem;text-decoration:"
        f"none;border:1px solid {_ACT};background:{ground};",
        css,
        ink,
    )


def _anchor(link: Link, style: str = "", css: str = "act", ink: str = _ACT) -> str:
    if not link.url.startswith(("http://", "https://")):
        return ""
    return (
        f'<a class="{css}" href="{escape(link.url)}" style="{style}color:{ink};font-weight:600">'
        f"{escape(link.label)}</a>"
    )
