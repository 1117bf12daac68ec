"""What a browser may do with a page of ours: nothing but what comes from this service."""

__all__ = ["CONTENT_POLICY", "HEADERS"]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
"""No script or style stands in a page, and nothing is asked of anybody else; `data:` is the style's own small signs."""

HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "Referrer-Policy": "same-origin",  # stricter ones blank the origin that forms are judged by
    "Cache-Control": "no-store",
}
