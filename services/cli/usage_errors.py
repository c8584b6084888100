"""A command typed wrongly: said in one sentence, with what is wanted instead and where to read more."""

from __future__ import annotations

import re
from typing import Any

import typer

# How the parser's own words are said here; what is not listed is said as it comes.
_SAID = (
    (r"Value error, (.*)", r"\1"),
    (r"Input should be a valid integer.*", "a whole number is wanted"),
    (r"Input should be a valid number.*", "a number is wanted"),
    (r"Input should be greater than or equal to (\S+)", r"at least \1 is wanted"),
    (r"Input should be less than or equal to (\S+)", r"at most \1 is wanted"),
    (r"No such command '(.*?)'\.?(?: Did you mean '(.*?)'\?)?", r"there is no command '\1'"),
    (r"No such option: (\S+?)\.?", r"there is no option \1"),
    (r"Option '(.*?)' requires an argument\.", r"\1 wants a value"),
    (
        r"Got unexpected extra argument(?:s|\(s\))? \((.*)\)",
        r"'\1' is too much; put a name of several words in quotes",
    ),
)


def sentence(error: typer.TyperException) -> str:
    """What was wrong and where to look, for stderr."""
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "gritledger"
    what = _what(error)
    return f"{what}{'' if what.endswith('?') else '.'} See: {command} --help"


def help_wanted(error: typer.TyperException) -> str | None:
    """The help to show when a group of commands was named without one of them; None = it was a mistake."""
    context = getattr(error, "ctx", None)
    if type(error).__name__ != "NoArgsIsHelpError" or context is None:
        return None
    return str(context.get_help())


def _what(error: typer.TyperException) -> str:
    parameter = getattr(error, "param", None)
    if type(error).__name__ == "MissingParameter" and parameter is not None:
        return f"{_name(parameter)} is missing"
    message = error.message.strip()
    for pattern, said in _SAID:
        found = re.fullmatch(pattern, message, re.DOTALL)
        if found is not None:
            near = found[2] if found.re.groups > 1 else None
            message = found.expand(said) + (f"; did you mean '{near}'?" if near else "")
            if said.endswith(" wanted"):
                message += _typed(error)
            break
    near_options = getattr(error, "possibilities", None)
    if near_options:
        message += f"; did you mean {' or '.join(sorted(near_options))}?"
    return message.rstrip(".") if parameter is None else f"{_name(parameter)}: {message.rstrip('.')}"


def _typed(error: typer.TyperException) -> str:
    """What was typed instead, as the parser kept it; "" = it kept nothing."""
    try:
        return f", not “{str(error.__cause__.errors()[0]['input'])[:40]}”"  # type: ignore[union-attr]
    except (AttributeError, LookupError):
        return ""


def _name(parameter: Any) -> str:
    option = next((name for name in parameter.opts if name.startswith("--")), None)
    return option or str(parameter.name).upper()
