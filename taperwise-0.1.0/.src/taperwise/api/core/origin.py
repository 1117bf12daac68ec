"""Where a request comes from, as its browser says."""

from typing import Literal

from starlette.datastructures import Headers

__all__ = ["Origin", "origin_of"]

Origin = Literal["here", "elsewhere", "unknown"]


def origin_of(headers: Headers) -> Origin:
    """Whether a page of ours asks.

    A browser says so in `Sec-Fetch-Site`, an older one at least in `Origin`; what sends neither is no browser.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None:
        return "here" if site in ("same-origin", "none") else "elsewhere"
    if origin is not None:
        return "here" if origin.partition("://")[2] == headers.get("host") else "elsewhere"
    return "unknown"
