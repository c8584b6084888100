"""A form that was not taken: shown again as it was typed, with what is wrong said at its field."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from lxml import html as markup
from lxml.html import FormElement, HtmlElement

from rules.typed_input import CAME_TWICE

WRONG = "wrong"  # the id of the sentence
# Fields of commands by the names that forms call them, where these differ.
CALLED: Mapping[str, tuple[str, ...]] = {
    "at": ("at", "since", "from_at"),
    "unpaved_share": ("unpaved",),
    "wheel_circumference_m": ("wheel_mm",),
    "over_pct": ("over",),
    "under_pct": ("under",),
    "exact_pct": ("exact",),
    "distance_m": ("distance",),
    "instrument": ("with",),
    "block_km": ("every",),
}


@dataclass(frozen=True, slots=True)
class RefusedForm:
    """What was typed, by field, and why it was not taken; "" = it was only asked about.

    action: where it was sent.  field: the one that is wrong; "" = the form as a whole.
    """

    action: str
    typed: tuple[tuple[str, str], ...]
    sentence: str
    field: str = ""


def shown_again(page: str, refused: RefusedForm) -> str:
    """The page with that form filled in as it was typed, opened, and the sentence at its field."""
    document = markup.document_fromstring(page)
    form = _meant(document, refused)
    place: HtmlElement = form if form is not None else document.get_element_by_id("main")
    if form is not None:
        _fill(form, refused.typed)
        for closed in form.iterancestors("details"):
            closed.set("open", "")
    if refused.sentence:
        _say(place, refused)
    whole: str = markup.tostring(document, encoding="unicode", doctype="<!doctype html>")
    return whole


def _meant(document: HtmlElement, refused: RefusedForm) -> FormElement | None:
    """The form that was sent: of those with its address, the one whose hidden fields agree most."""
    typed = set(refused.typed)

    def agreeing(form: FormElement) -> int:
        hidden = [(one.name, one.value or "") for one in form.inputs if one.get("type") == "hidden"]
        return sum(1 if pair in typed else -1 for pair in hidden)

    forms = [one for one in document.forms if one.action == refused.action and one.method == "POST"]
    return max(forms, key=agreeing, default=None)


def _fill(form: FormElement, typed: tuple[tuple[str, str], ...]) -> None:
    said = set(typed)
    values = dict(typed)
    for one in _fields(form):
        name, kind = one.get("name"), one.get("type", "")
        if one.tag == "select":
            for option in one.iter("option"):
                _mark(option, "selected", (name, option.get("value", option.text_content().strip())) in said)
        elif kind in ("checkbox", "radio"):
            _mark(one, "checked", (name, one.get("value", "on")) in said)
        elif one.tag == "input" and name in values:
            one.set("value", values[name])
        elif one.tag == "textarea":
            one.text = values.get(name, "")
        for closed in one.iterancestors("details"):
            if name in values and values[name] and kind not in ("checkbox", "radio"):
                closed.set("open", "")


def _fields(form: FormElement) -> Iterator[HtmlElement]:
    """What can be typed or chosen in it."""
    for one in form.iter("input", "select", "textarea"):
        if one.get("name") and one.get("type") not in ("hidden", "submit", "file", "password"):
            yield one


def _mark(one: HtmlElement, attribute: str, there: bool) -> None:
    if there:
        one.set(attribute, attribute)
    else:
        one.attrib.pop(attribute, None)


def _say(place: HtmlElement, refused: RefusedForm) -> None:
    """The sentence, after the field that is wrong, or first in the form."""
    names = CALLED.get(refused.field, (refused.field,))
    wrong = next((one for one in _fields(place) if one.get("name") in names), None)
    said = markup.Element("p", {"class": "wrong", "id": WRONG, "role": "alert"})
    more = "" if "nothing was changed" in refused.sentence else " Nothing was changed."
    said.text = f"{refused.sentence}{more}"
    if wrong is None:
        said.set("tabindex", "-1")
        said.set("autofocus", "")
        place.insert(0, said)
        return
    if wrong.get("type") == "datetime-local" and CAME_TWICE in refused.sentence:
        wrong.set("type", "text")  # the offset that is asked for goes into no other field
    wrong.set("aria-invalid", "true")
    wrong.set("aria-describedby", WRONG)
    wrong.set("autofocus", "")
    beside = next(wrong.iterancestors("label"), wrong)
    said.tail, beside.tail = beside.tail, None
    beside.addnext(said)
