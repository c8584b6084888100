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
  .act { color: #9cc0aa !important }
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


@dataclass(frozen=True, slots=True)
class Block:
    """One thing said: what to do, the facts, what can hurt, what to type, where to look."""

    headline: str
    said: tuple[str, ...]
    careful: str
    commands: tuple[tuple[str, str], ...]  # (label, command)
    links: tuple[Link, ...]


def mail_page(
    title: str,
    greeting: str,
    blocks: Sequence[Block],
    foot: Sequence[str],
    *,
    opening: str = "",
    links: Sequence[Link] = (),
) -> str:
    """A whole HTML document. Every string is escaped; a link that is not http(s) is left out."""
    body = "".join(_section(block) for block in blocks) + "".join(_anchor(link) for link in links)
    if opening:
        body = f'<p style="margin:.4rem 0">{escape(opening)}</p>{body}'
    notes = "".join(f'<p style="margin:.3em 0">{_with_links(words)}</p>' for words in foot)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>{escape(title)}</title><style>{_DARK}</style></head>\n"
        f'<body style="margin:0;padding:0;background:{_PAPER};color:{_INK}">'
        f'<div class="paper" style="max-width:34rem;margin:0 auto;padding:1.6rem 1.4rem;background:{_PAPER};'
        f'color:{_INK};{_SANS};font-size:16px;line-height:1.5">\n'
        f'<h1 style="{_SERIF};font-size:1.5rem;margin:0 0 .2rem">{escape(greeting)}</h1>\n{body}'
        f'<div class="soft rule" style="color:{_SOFT};font-size:.85rem;border-top:1px solid {_LINE};'
        f'margin-top:1.8rem;padding-top:.8rem">{notes}</div>\n</div></body></html>\n'
    )


def _section(block: Block) -> str:
    said = "".join(f'<p style="margin:.4rem 0">{escape(words)}</p>' for words in block.said)
    careful = (
        f'<p class="soft" style="margin:.7rem 0;color:{_SOFT};font-size:.92rem">'
        f"<strong>Careful.</strong> {escape(block.careful)}</p>"
        if block.careful
        else ""
    )
    commands = "".join(
        f'<p class="soft" style="margin:.25rem 0;color:{_SOFT};font-size:.92rem">{escape(label)}: '
        f'<code style="background:#fffdf8;color:{_INK};padding:.1em .35em">{escape(command)}</code></p>'
        for label, command in block.commands
    )
    return (
        f'<div class="rule" style="border-top:1px solid {_LINE};margin-top:1.2rem;padding-top:.9rem">'
        f'<h2 style="{_SERIF};font-size:1.15rem;margin:0 0 .3rem">{escape(block.headline)}</h2>'
        f"{said}{careful}{''.join(_anchor(link) for link in block.links)}{commands}</div>\n"
    )


def _with_links(words: str) -> str:
    return _ADDRESS.sub(r'<a class="soft" style="color:inherit" href="\g<0>">\g<0></a>', escape(words))


def _anchor(link: Link) -> str:
    if not link.url.startswith(("http://", "https://")):
        return ""
    return (
        f'<p style="margin:.7rem 0"><a class="act" href="{escape(link.url)}" '
        f'style="color:{_ACT};font-weight:600">{escape(link.label)}</a></p>'
    )
