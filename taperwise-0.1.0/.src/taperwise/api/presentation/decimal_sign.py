"""The decimal sign that readers of a language and region use, as the Unicode CLDR has it."""

import re
from collections.abc import Mapping
from functools import lru_cache

__all__ = ["of_environment", "of_languages"]

_TAG = re.compile(r"[A-Za-z]{2,3}(?:-[A-Za-z0-9]{2,8}){0,3}")
_MOST = 200  # characters of a header that are read
_POINT = "."


@lru_cache(256)
def of_languages(accepted: str) -> str:
    """The sign for a header `Accept-Language` (RFC 9110, section 12.5.4); a point where no language is known.

    Examples
    --------
    >>> of_languages("de-AT,de;q=0.9"), of_languages("en;q=0.5, fr;q=0.7"), of_languages("de-CH"), of_languages("")
    (',', ',', '.', '.')
    """
    wanted = []
    for each in accepted[:_MOST].split(","):
        tag, _, weight = (part.strip() for part in each.partition(";"))
        share = re.fullmatch(r"[qQ]=(0(?:\.\d{0,3})?|1(?:\.0{0,3})?)", weight) if weight else None
        quality = float(share[1]) if share else 0.0 if weight else 1.0
        if quality and _TAG.fullmatch(tag):
            wanted.append((quality, tag))
    known = (_sign(tag) for _, tag in sorted(wanted, key=lambda each: -each[0]))
    return next((sign for sign in known if sign), _POINT)


def of_environment(environment: Mapping[str, str]) -> str:
    """The sign that a shell asks for: the first of ``LC_ALL``, ``LC_NUMERIC`` and ``LANG`` that is set (POSIX).

    Examples
    --------
    >>> of_environment({"LANG": "de_DE.UTF-8"}), of_environment({"LC_ALL": "C", "LANG": "de_DE.UTF-8"})
    (',', '.')
    """
    named = next((environment[name] for name in ("LC_ALL", "LC_NUMERIC", "LANG") if environment.get(name)), "")
    return of_languages(re.split("[.@]", named)[0].replace("_", "-"))


def _sign(tag: str) -> str:
    """The sign of a tag, or of what is left of it without its last parts (RFC 4647, section 3.4); empty for none."""
    from babel import Locale, UnknownLocaleError  # some hundredths of a second that no start needs

    parts = tag.split("-")
    while parts:
        try:
            return str(Locale.parse("-".join(parts), sep="-").number_symbols["latn"]["decimal"])
        except (UnknownLocaleError, ValueError, KeyError):
            parts.pop()
    return ""
