"""Why a step is suggested or refused, and what the reader must know about an answer, in sentences."""

from taperwise.api.presentation.digits import number
from taperwise.api.presentation.formatting import chance, percent, runs
from taperwise.api.presentation.instruction_text import better_slope
from taperwise.api.schemas.units import Units
from taperwise.shared.reasons import Notice, NoticeCode, Reason, ReasonCode, Refusal, RefusalCode
from taperwise.shared.recommendation import Stage, Suggestion

__all__ = ["notice", "refusal", "why"]

_UNSEEN = {
    Stage.FULL_THROTTLE: "No run has shown full throttle at this setting yet. Lean slowly from full rich and note the "
    "EGT rise to its peak.",
    Stage.IDLE_MIXTURE: "You have not judged the idle at this setting yet. Note how the engine idles. Note the rise in "
    "rpm on slow leaning too, if you can.",
    Stage.IDLE_SPEED: "You have not read the idle speed at this setting yet.",
}

_WHY = {
    ReasonCode.LIMIT_EXCEEDED: "An engine limit was exceeded. The service keeps your runs and pauses its suggestions.",
    ReasonCode.STATIC_SPEED_OUT: "The full-throttle speed is outside the target range that you set.",
    ReasonCode.RISE_STUCK: "You turned the needle holder richer, but the EGT rise did not grow. The fuel "
    "may not arrive.",
    ReasonCode.NOT_TRUSTED: "Your readings contradict each other, so there is no reliable result yet. Check the last "
    "entries for typing errors. Then make another run at this setting.",
    ReasonCode.NO_NEEDLE_FITS: "More turns will not help: you need a taper slope that none of your needles has.",
    ReasonCode.ALL_REFUSED: "No other step is allowed. The reason stands beside each step.",
    ReasonCode.NOT_SETTLED: "Several runs at this setting gave no clear result. No other step is more promising.",
    ReasonCode.TO_AND_FRO: "You have tried both this setting and the best alternative several times. Neither was "
    "clearly in target.",
    ReasonCode.TOO_FAR_TO_GO: "You have made many runs, and the target is still far. Few simulated tunings like this "
    "one reached the target.",
}

_BECAUSE = {
    ReasonCode.ONLY_STEP_AS_GOOD: "No other step does as well.",
    ReasonCode.SURE_WHERE_THIS_IS_NOT: "Many runs at this setting gave no clear result. This step is almost certain to "
    "reach the target.",
    ReasonCode.RICHER_BEFORE_READING: "No run has read the exhaust temperature yet. Full throttle may be lean here.",
    ReasonCode.RICHER_TO_BE_SAFE: "The chance of running lean of peak here is above its limit. This is the "
    "smallest turn that brings it below.",
    ReasonCode.FITTED_NEEDLE_CANNOT: "The installed needle cannot bring both mixtures into target. Turning its holder "
    "first would not help.",
}


def why(s: Suggestion) -> str:
    """Why this is the next step."""
    match s.why.code:
        case ReasonCode.NOT_SEEN_YET:
            return _UNSEEN[s.stage]
        case ReasonCode.NOT_AS_FORETOLD:
            as_logged = percent(1.0 - s.confidence.doubt)
            return f"Your latest runs do not match the earlier ones: {as_logged} chance that everything is as logged."
        case ReasonCode.ALL_CONFIRMED:
            where = " in the air of your runs" if lean_elsewhere(s) else ""
            return f"Both mixtures in target{where}: {chance(s.confidence.chance_both)} chance."
        case ReasonCode.ACCEPTED:
            return f"You accepted this setting. Both mixtures in target: {chance(s.confidence.chance_both)} chance."
        case code if code in _WHY:
            return _WHY[code]
        case _:
            return f"{_before_and_after(s)} {because(s.why)}"


def lean_elsewhere(s: Suggestion) -> bool:
    """Whether the setting would be too lean in denser air than that of the runs."""
    return any(n.code is NoticeCode.LEAN_IN_DENSER_AIR for n in s.warnings)


def because(reason: Reason) -> str:
    """What sets a step apart from the others that could have been chosen."""
    if reason.code is ReasonCode.SMALLEST_STEP_AS_GOOD:
        return f"{reason.alike} steps do equally well, and this is the smallest."
    return _BECAUSE[reason.code]


def _before_and_after(s: Suggestion) -> str:
    c, p = s.confidence, s.expected
    if s.stage is Stage.FULL_THROTTLE:
        return (
            f"Full throttle: {chance(c.full_throttle.chance_in_band or 0.0)} chance of being in target now, "
            f"{chance(p.chance_full_throttle)} after this step."
        )
    if s.stage is Stage.IDLE_MIXTURE:
        return (
            f"Idle mixture: {chance(c.idle_mixture.chance_in_band or 0.0)} chance of being in target now. Both "
            f"mixtures in target: {chance(c.chance_both)} now, {chance(p.chance_both)} after this step."
        )
    return (
        f"Idle speed: {chance(c.idle_speed.chance_in_band or 0.0)} chance of being in target now. Predicted after this "
        f"step: about {p.idle_rpm.median:.0f} rpm."
    )


def refusal(r: Refusal) -> str:
    """Why a step is not allowed, without the last full stop."""
    risk, now, limit = r.chance or 0.0, r.chance_now or 0.0, r.limit or 0.0
    match r.code:
        case RefusalCode.LEAN_OF_PEAK:
            only = f" The chance is {chance(now)} now, so only richer steps are allowed" if now > limit else ""
            dot = "." if only else ""
            return (
                f"Danger: {chance(risk)} chance of running lean of peak at full throttle, above the limit of "
                f"{percent(limit)}{dot}{only}"
            )
        case RefusalCode.LEADS_AWAY:
            return "This step leads further from the full-throttle target range"
        case RefusalCode.LOSES_FULL_THROTTLE:
            return f"Full throttle would probably leave its target range: {chance(risk)} chance of being in target"
        case RefusalCode.IDLE_NOT_SEEN:
            return "You have not judged the idle at this setting yet"
        case RefusalCode.ONE_RUN_IS_NOT_ENOUGH:
            return "One run is not enough to replace a needle"
        case RefusalCode.KNOWN_TO_BE_WRONG:
            return "This setting is out of target. Another run here would not help"


def notice(n: Notice, units: Units) -> str:
    """What the reader must know about an answer, in an installation's units."""
    match n.code:
        case NoticeCode.RUNS_LEFT_OUT:
            left = n.runs or 0
            which = "is not used, because it is" if left == 1 else "are not used, because they are"
            return f"{runs(left)} {which} older than the latest needle and part changes that the model keeps."
        case NoticeCode.NOT_CONVERGED:
            return "The result is not reliable yet. Do not act on these figures. Make another run at this setting."
        case NoticeCode.LEAN_IN_DENSER_AIR:
            return (
                f"Danger in colder air: {chance(n.chance or 0.0)} chance of running lean of peak at full throttle. "
                "That is for a cold day at a low field, with air "
                f"{number(n.density_ratio or 0.0, '.2f')} times as dense as standard. "
                "Before you use this setting in denser air, tie down, make a run there and ask again."
            )
        case NoticeCode.NEEDLES_MAY_NOT_FIT:
            return (
                f"You may need another needle: {chance(n.chance or 0.0)} chance that one of yours suits both mixtures. "
                f"The best is one {better_slope(n.ideal_slope, units)}. First check the fuel supply, the induction for "
                "leaks, and the needle's mark."
            )
