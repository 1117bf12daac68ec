"""Why a step is suggested or refused, and what the reader must know about an answer, in sentences."""

from taperwise.shared.reasons import Notice, NoticeCode, Reason, ReasonCode, Refusal, RefusalCode
from taperwise.shared.recommendation import Stage, Suggestion

__all__ = ["notice", "refusal", "why"]

_UNSEEN = {
    Stage.FULL_THROTTLE: "Nothing has been seen at full throttle with this setting yet: lean slowly from full rich "
    "and note the rise to peak.",
    Stage.IDLE_MIXTURE: "The idle has not been judged with this setting yet: note how it idles, and the rise in rpm "
    "on slow leaning if you can.",
    Stage.IDLE_SPEED: "The idle speed has not been read with this setting yet.",
}

_WHY = {
    ReasonCode.LIMIT_EXCEEDED: "A limit of the engine was exceeded; what the runs taught is kept, the next step is "
    "withheld.",
    ReasonCode.STATIC_SPEED_OUT: "The engine does not turn as fast as you expect of it, or faster.",
    ReasonCode.NOT_TRUSTED: "The readings so far do not add up to a posterior that can be trusted, even after a "
    "careful second fit: check the last entries for a slip of the pen, and make another run at this setting.",
    ReasonCode.NO_NEEDLE_FITS: "Turning and running on would be in vain: full throttle and idle ask for a slope that "
    "is not on hand.",
    ReasonCode.ALL_REFUSED: "Every other step is refused; the reasons stand beside each.",
    ReasonCode.NOT_SETTLED: "Several runs at this setting have not settled it, and no other step promises more.",
    ReasonCode.TO_AND_FRO: "The most promising step leads back to a setting that several runs have not shown right, "
    "as several here have not.",
}

_BECAUSE = {
    ReasonCode.ONLY_STEP_AS_GOOD: "it is the only step as good",
    ReasonCode.SURE_WHERE_THIS_IS_NOT: "many runs at this setting have not settled it, and this one is as good as "
    "sure to be right",
    ReasonCode.RICHER_BEFORE_READING: "no exhaust temperature has been read yet, and full throttle may be lean here",
    ReasonCode.FITTED_NEEDLE_CANNOT: "the needle that is fitted cannot make both ends right, so turning its screw "
    "first would be in vain",
}


def why(s: Suggestion) -> str:
    """Why this is the next step."""
    match s.why.code:
        case ReasonCode.NOT_SEEN_YET:
            return _UNSEEN[s.stage]
        case ReasonCode.NOT_AS_FORETOLD:
            return (
                f"The latest runs are not what those before them foretold: the chance that all is as recorded is "
                f"{1.0 - s.confidence.doubt:.0%}."
            )
        case ReasonCode.ALL_CONFIRMED:
            both = s.confidence.chance_both
            return f"All stages are confirmed; both mixtures are right with a chance of {both:.0%}."
        case ReasonCode.ACCEPTED:
            both = s.confidence.chance_both
            return f"You accepted this setting. Both mixtures are right with a chance of {both:.0%}."
        case code if code in _WHY:
            return _WHY[code]
        case _:
            return f"{_before_and_after(s)}; {because(s.why)}."


def because(reason: Reason) -> str:
    """What sets a step apart from the others that could have been chosen."""
    if reason.code is ReasonCode.SMALLEST_STEP_AS_GOOD:
        return f"it is the smallest of {reason.alike} steps as good"
    return _BECAUSE[reason.code]


def _before_and_after(s: Suggestion) -> str:
    c, p = s.confidence, s.expected
    if s.stage is Stage.FULL_THROTTLE:
        return (
            f"Full throttle is in its band with a chance of {c.full_throttle.chance_in_band or 0.0:.0%}; after this it "
            f"would be with {p.chance_full_throttle:.0%}"
        )
    if s.stage is Stage.IDLE_MIXTURE:
        return (
            f"The idle mixture is right with a chance of {c.idle_mixture.chance_in_band or 0.0:.0%}, both ends with "
            f"{c.chance_both:.0%}; after this both would be with {p.chance_both:.0%}"
        )
    return (
        f"The idle speed is in its band with a chance of {c.idle_speed.chance_in_band or 0.0:.0%}; after this it "
        f"should read about {p.idle_rpm.median:.0f} rpm"
    )


def refusal(r: Refusal) -> str:
    """Why a step may not be suggested."""
    chance, now, limit = r.chance or 0.0, r.chance_now or 0.0, r.limit or 0.0
    match r.code:
        case RefusalCode.LEAN_OF_PEAK:
            only = f" (it is {now:.0%} now: only richer steps are allowed)" if now > limit else ""
            return (
                f"the chance of running lean of peak at full throttle would be {chance:.0%}, above the limit of "
                f"{limit:.0%}{only}"
            )
        case RefusalCode.LEADS_AWAY:
            return "it would lead further from the full-throttle band"
        case RefusalCode.LOSES_FULL_THROTTLE:
            return f"it would likely take full throttle out of its band (chance in band {chance:.0%})"
        case RefusalCode.IDLE_NOT_SEEN:
            return "the idle has not been looked at with this setting yet"
        case RefusalCode.ONE_RUN_IS_NOT_ENOUGH:
            return "a single run condemns no needle"
        case RefusalCode.KNOWN_TO_BE_WRONG:
            return "this setting is known to be wrong: another run at it settles nothing"


def notice(n: Notice) -> str:
    """What the reader must know about an answer."""
    match n.code:
        case NoticeCode.RUNS_LEFT_OUT:
            return (
                f"{n.runs} early runs were left out: the model holds the latest changes of needle and parts apart, and "
                "these runs lie before them."
            )
        case NoticeCode.NOT_CONVERGED:
            return "The posterior did not converge: take no figure here as settled."
        case NoticeCode.LEAN_IN_DENSER_AIR:
            return (
                f"This setting is right for the air of these runs. On a cold day at a low field (air "
                f"{n.density_ratio or 0.0:.2f} times as dense as the standard) it would run lean of peak at full "
                f"throttle with a chance of {n.chance or 0.0:.0%}: before using it in denser air than this, tie down, "
                "make a run and ask again."
            )
