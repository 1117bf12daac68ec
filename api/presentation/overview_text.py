"""Words of the overview: what needs attention, and how serious that is."""

from taperwise.api.presentation.chance_text import chance

__all__ = ["SEVERITIES", "flag_words"]

SEVERITIES = {
    "stop": "Stop",
    "lean": "Lean",
    "fault": "Possible fault",
    "stuck": "Stuck",
    "stale": "No recent entry",
    "waiting": "Waiting",
    "fine": "Fine",
}
"""Severities in words, the most serious first."""

_FLAGS = {
    "limit_exceeded": "Engine limit exceeded",
    "not_as_foretold": "Runs do not match the log",
    "static_speed_out": "Static speed is outside its target",
    "rise_stuck": "EGT rise does not grow: check the fuel supply",
    "logger_findings": "Logger file to check",
    "contradicting": "Readings contradict each other",
    "no_needle_fits": "No suitable needle",
    "not_to_be_settled": "More runs will not help",
    "too_far_to_go": "Many runs without a result",
    "no_entry": "No entry yet",
    "no_answer": "Calculating the next step",
}


def flag_words(flag: str, *, lean_chance: float | None, doubt: float | None, idle_days: int | None) -> str:
    """A flag in words.

    Parameters
    ----------
    flag : str
        A code of `taperwise.api.recommendations.status_query.Flag`.
    lean_chance, doubt : float or None
        Chances that two of the flags name.
    idle_days : int or None
        Days since the latest entry.
    """
    if flag == "lean_of_peak":
        return f"Danger: {chance(lean_chance)} chance of lean of peak at full throttle"
    if flag == "doubtful":
        return f"Possible fault: {chance(doubt)} chance"
    if flag == "idle":
        return f"No entry for {idle_days} days"
    return _FLAGS[flag]
