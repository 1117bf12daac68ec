"""The verdict of a tuning sheet."""

__all__ = ["verdict"]


def verdict(tuned: bool, stage: str, stop: str) -> str:
    """What the sheet says of the setting; a stop comes before everything else.

    Parameters
    ----------
    tuned : bool
        Whether all three stages are confirmed.
    stage : str
        The stage in words.
    stop : str
        Which limit was exceeded; empty where there is no stop.
    """
    if stop:
        return f"STOP. {stop} Do not run the engine until the cause is found, mended and recorded."
    return "All three stages are confirmed." if tuned else f"Not tuned: the tuning stands at {stage}."
