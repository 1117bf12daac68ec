"""Decisions that must not turn unnoticed, the ways in which each is broken, and the quick tests that have to see it."""

from dataclasses import dataclass

__all__ = ["DECISIONS", "Break", "Decision"]


@dataclass(frozen=True)
class Break:
    """One line changed: `old`, found exactly once in `file`, becomes `new`."""

    what: str
    file: str
    old: str
    new: str


@dataclass(frozen=True)
class Decision:
    """A decision, its breaks, and the test paths of which one test at least has to fail."""

    name: str
    tests: tuple[str, ...]
    breaks: tuple[Break, ...]


_LIMITS, _CANDIDATES, _STAGES = "shared/limits.py", "model/design/candidates.py", "model/prediction/stages.py"
_EVIDENCE, _MIXTURE, _ACTIONS = "model/inference/dataset.py", "model/physics/mixture.py", "model/design/actions.py"
_OUTLOOK, _LIKELIHOOD = "model/prediction/setting_draws.py", "model/inference/likelihood.py"
_CYLINDERS, _NOISE, _UNITS = "model/traces/cylinders.py", "model/physics/noise.py", "shared/units.py"
_GATE = "api/accounts/authorization.py"
_TRADE = ("tests/model/prediction/test_middling_engine.py", "tests/model/design/test_trade_experience.py")
_REFUSALS, _WHO_MAY = "tests/model/design/test_refusals.py", "tests/api/accounts/test_who_may.py"
_POOL_OWNERS = "tests/api/accounts/test_pool_owners.py"

_STEP_LIMIT = Decision(
    "step-limit",
    ("tests/shared/test_limits.py", _REFUSALS),
    (
        Break("the ceiling is a half turn", _LIMITS, "CEILING_TURNS = 0.25\n", "CEILING_TURNS = 0.5\n"),
        Break(
            "a step beyond its limit can be built", _LIMITS,
            "if abs(turns) > min(limits.largest_turns, CEILING_TURNS) + 1e-12:", "if abs(turns) > 1.0:",
        ),
        Break(
            "the owner's tighter limit is passed over", _LIMITS,
            "min(limits.largest_turns, CEILING_TURNS) + 1e-12", "CEILING_TURNS + 1e-12",
        ),
        Break(
            "an owner may widen the limit", _LIMITS,
            '"largest_turns": (_FINEST_QUANTUM_TURNS, CEILING_TURNS),',
            '"largest_turns": (_FINEST_QUANTUM_TURNS, 1.0),',
        ),
        Break(
            "one step too many is offered", _LIMITS,
            "return tuple(self.quantum_turns * i for i in range(1, count + 1))",
            "return tuple(self.quantum_turns * i for i in range(1, count + 2))",
        ),
    ),
)  # fmt: skip

_LEAN_LIMIT = Decision(
    "lean-limit",
    ("tests/shared/test_limits.py", _REFUSALS),
    (
        Break(
            "steps beyond it are suggested", _CANDIDATES,
            "if lean > most and not richer and not", "if False and not",
        ),
        Break(
            "it is twice as wide", _CANDIDATES,
            "if lean > most and not richer and", "if lean > 2 * most and not richer and",
        ),
        Break(
            "leaner turns are let through, richer ones are not", _CANDIDATES,
            "richer = action.kind is ActionKind.TURN_SCREW and (action.turns or 0.0) > 0",
            "richer = action.kind is ActionKind.TURN_SCREW and (action.turns or 0.0) < 0",
        ),
        Break(
            "it is judged where the engine stands, not where the step leads", _CANDIDATES,
            "lean, lean_now, most = chance(outlook.lean), chance(now.lean), limits.lean_chance",
            "lean, lean_now, most = chance(now.lean), chance(now.lean), limits.lean_chance",
        ),
        Break(
            "what may run lean is not turned richer where that leads away", _CANDIDATES,
            "    if richer and lean_now > most:\n", "    if False:\n",
        ),
        Break("rich of peak is called lean", _OUTLOOK, "return self.leanest < 0.0", "return self.leanest > 0.0"),
        Break(
            "the same for prospects", _OUTLOOK,
            "leanest(full, u, evidence.scales) < 0.0)",
            "leanest(full, u, evidence.scales) > 0.0)",
        ),
        Break("an owner may loosen it", _LIMITS, '"lean_chance": (0.001, 0.05),', '"lean_chance": (0.001, 0.5),'),
    ),
)  # fmt: skip

_STAGE_ORDER = Decision(
    "stage-order",
    ("tests/model/prediction/test_stages.py",),
    (
        Break(
            "idle mixture comes before full throttle", _STAGES,
            "    if not full.confirmed:\n        current = Stage.FULL_THROTTLE\n    elif not idle.confirmed:\n"
            "        current = Stage.IDLE_MIXTURE\n",
            "    if not idle.confirmed:\n        current = Stage.IDLE_MIXTURE\n    elif not full.confirmed:\n"
            "        current = Stage.FULL_THROTTLE\n",
        ),
        Break("idle mixture is passed over", _STAGES, "elif not idle.confirmed:", "elif False:"),
        Break(
            "idle speed is passed over", _STAGES,
            "current = Stage.TUNED if speed.confirmed else Stage.IDLE_SPEED", "current = Stage.TUNED",
        ),
        Break(
            "idle mixture is confirmed before full throttle", _STAGES,
            "idle_seen, full.confirmed)", "idle_seen, True)",
        ),
        Break(
            "idle speed is confirmed before idle mixture", _STAGES,
            '_seen(evidence, True, "idle_rpm"), idle.confirmed)', '_seen(evidence, True, "idle_rpm"), True)',
        ),
        Break(
            "an unobserved stage is confirmed", _STAGES,
            "before and sure and observed and reached", "before and sure and reached",
        ),
        Break(
            "a later stage goes by its own chance alone", _STAGES,
            "reached = min(chance(right), chance(together)) >= needed", "reached = chance(right) >= 0.4",
        ),
    ),
)  # fmt: skip

_UNCONFIRM = Decision(
    "unconfirm-after-change",
    ("tests/model/prediction/test_stages.py", "tests/model/inference/test_evidence.py"),
    (
        Break(
            "a needle or part that was changed changes nothing", _STAGES,
            "a.changes == b.changes and a.turns == b.turns", "a.turns == b.turns",
        ),
        Break(
            "a turn of the screw changes nothing", _STAGES,
            "a.changes == b.changes and a.turns == b.turns", "a.changes == b.changes",
        ),
        Break(
            "the idle stop changes nothing", _STAGES,
            "(not same_idle_stop or position.idle_stop_turns == now.idle_stop_turns)", "True",
        ),
        Break(
            "a change of needle is not counted", _EVIDENCE,
            "changes=(*self.changes, needle),", "changes=self.changes,",
        ),
        Break(
            "a change of part is not counted", _EVIDENCE,
            'changes=(*self.changes, f"part:{part}"))', "changes=self.changes)",
        ),
    ),
)  # fmt: skip

_SIGN_OF_TURN = Decision(
    "sign-of-turn",
    ("tests/model/design/test_actions.py", *_TRADE, "tests/model/inference/test_evidence.py"),
    (
        Break(
            "the hex key is sent the wrong way", _ACTIONS,
            "lean_direction, opposite=step.turns > 0)",
            "lean_direction, opposite=step.turns < 0)",
        ),
        Break(
            "a leaner turn is called richer", _ACTIONS,
            'effect = "richer" if step.turns > 0 else "leaner"', 'effect = "leaner" if step.turns > 0 else "richer"',
        ),
        Break(
            "a new needle is turned the wrong way", _ACTIONS,
            "lean_direction, opposite=turns_from_mark > 0)",
            "lean_direction, opposite=turns_from_mark < 0)",
        ),
        Break(
            "a recorded turn counts the other way", _EVIDENCE,
            "replace(self, turns=round(self.turns + turns, ", "replace(self, turns=round(self.turns - turns, ",
        ),
        Break(
            "a turn out moves the needle in", _EVIDENCE,
            "np.array([p.turns * body.screw_pitch_m for p, _ in rows])",
            "np.array([-p.turns * body.screw_pitch_m for p, _ in rows])",
        ),
        Break("a needle further out passes less", _MIXTURE, "+ mark + s.needle_m", "+ mark - s.needle_m"),
    ),
)  # fmt: skip

_CENSORING = Decision(
    "censoring",
    ("tests/model/inference/test_likelihood.py", "tests/model/physics/test_noise.py"),
    (
        Break(
            "fell at once says the rise is above nought", _LIKELIHOOD,
            "0.0, *getattr(e, name)) for name, none", "0.0, -getattr(e, name)[0], getattr(e, name)[1]) for name, none",
        ),
        Break("fell at once says nothing", _LIKELIHOOD, "name, none in NOT_RISEN]", "name, none in NOT_RISEN[1:]]"),
        Break(
            "rough before the peak says the rise is below", _LIKELIHOOD,
            "(r.rough, -r.rise, -e.rise.centre, e.rise.scale)", "(r.rough, r.rise, e.rise.centre, e.rise.scale)",
        ),
        Break(
            "rough before the peak counts as the peak", _LIKELIHOOD,
            "*((getattr(r, there), getattr(r, name), *getattr(e, name)) for name, there in READ),",
            "(r.has_rise + r.rough, r.rise, *e.rise), "
            "*((getattr(r, there), getattr(r, name), *getattr(e, name)) for name, there in READ[1:]),",
        ),
        Break(
            "the two ends are taken for one another", "model/inference/readings.py",
            'RiseSeen.FELL_AT_ONCE: "fell", RiseSeen.ROUGH_BEFORE_PEAK: "rough"',
            'RiseSeen.FELL_AT_ONCE: "rough", RiseSeen.ROUGH_BEFORE_PEAK: "fell"',
        ),
        Break("the wrong tail is taken", _NOISE, "z = (limit - centre) / scale", "z = (centre - limit) / scale"),
    ),
)  # fmt: skip

_TEMPERATURE_DIFFERENCE = Decision(
    "temperature-difference",
    ("tests/api/test_wire.py", "tests/shared/test_units.py"),
    (
        Break(
            "a rise may be given as a gauge reading", _UNITS,
            '("delta_degF", "delta_degC", "kelvin"), 0.0, 500.0)',
            '("delta_degF", "delta_degC", "kelvin", "degF", "degC"), 0.0, 500.0)',
        ),
        Break(
            "a rise to peak is taken without its unit", "api/schemas/run.py",
            "ExhaustRise(RiseSeen.PEAK, rise.si(),", "ExhaustRise(RiseSeen.PEAK, rise.value,",
        ),
        Break(
            "a rise before roughness is taken without its unit", "api/schemas/run.py",
            "ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, rise.si(),", "ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, rise.value,",
        ),
        Break(
            "a degree Fahrenheit is a kelvin", _UNITS,
            "degree_Fahrenheit = 5 / 9 * kelvin;", "degree_Fahrenheit = kelvin;",
        ),
        Break(
            "a difference is converted like a reading", _UNITS,
            "one, other = (_SPELLINGS.get(each, each) or",
            'one, other = (_SPELLINGS.get(each, each).removeprefix("delta_") or',
        ),
    ),
)  # fmt: skip

_LEANEST_CYLINDER = Decision(
    "leanest-cylinder",
    ("tests/model/traces/test_cylinders.py",),
    (
        Break(
            "the richest cylinder decides", _CYLINDERS,
            "leanest = min(settled, key=lambda n: settled[n])", "leanest = max(settled, key=lambda n: settled[n])",
        ),
        Break(
            "the first column decides", _CYLINDERS,
            "leanest = min(settled, key=lambda n: settled[n])", "leanest = next(iter(settled))",
        ),
        Break(
            "a lean cylinder that departs is left out", _CYLINDERS,
            "if n not in departing or x < middle}", "if n not in departing}",
        ),
        Break(
            "the run takes the first to peak", "api/traces/recording.py",
            "reading, count = found.readings[found.leanest], len(found.deciding)",
            "reading, count = found.readings[found.first_to_peak or found.leanest], len(found.deciding)",
        ),
        Break(
            "the mean of all is leaner than the leanest", _MIXTURE,
            "return ln_full + u.cylinder_gap", "return ln_full - u.cylinder_gap",
        ),
        Break(
            "the leanest unseen is richer than what is seen", _MIXTURE,
            "return ln_full - backend.maximum(hidden", "return ln_full + backend.maximum(hidden",
        ),
        Break(
            "the spread has the wrong sign", _LIKELIHOOD,
            "exhaust.rise(mean, u.exhaust_scale, u.exhaust_width, backend) - rise",
            "rise - exhaust.rise(mean, u.exhaust_scale, u.exhaust_width, backend)",
        ),
    ),
)  # fmt: skip

_DENSITY_SIGN = Decision(
    "density-sign",
    ("tests/model/design/test_trade_experience.py", "tests/model/physics/test_air.py"),
    (
        Break(
            "thin air is leaner", _MIXTURE,
            "return -u.density_exponent * air.ln_density", "return u.density_exponent * air.ln_density",
        ),
        Break(
            "density is over its inverse", "model/physics/air.py",
            "return sum(_densities(air)) / SEA_LEVEL_DENSITY\n", "return SEA_LEVEL_DENSITY / sum(_densities(air))\n",
        ),
        Break(
            "humid air is heavier", "model/physics/air.py",
            "(air.pressure_pascal - vapour) / (_R_DRY * t)", "(air.pressure_pascal + vapour) / (_R_DRY * t)",
        ),
    ),
)  # fmt: skip

_STEEPER_RICHER = Decision(
    "steeper-is-richer",
    (*_TRADE, "tests/model/physics/test_needle.py", _REFUSALS, "tests/model/design/test_actions.py"),
    (
        Break(
            "a steeper flat uncovers less", "model/physics/needle.py",
            "segment_area(0.5 * needle_diameter, slope * past, backend)",
            "segment_area(0.5 * needle_diameter, 0.0009 / slope * past, backend)",
        ),
        Break(
            "a needle's slope is read the other way", _EVIDENCE,
            "ln_slope=np.log([needles.slopes[p.needle] for p, _ in rows]),",
            "ln_slope=np.log([0.0009 / needles.slopes[p.needle] for p, _ in rows]),",
        ),
        Break(
            "a steeper needle is called shallower", _ACTIONS,
            'effect = "steeper" if steps > 0 else "shallower"', 'effect = "shallower" if steps > 0 else "steeper"',
        ),
        Break(
            "steps among needles are counted backwards", _CANDIDATES,
            "steps = ordered.index(reach.needle) - ordered.index(here.needle)",
            "steps = ordered.index(here.needle) - ordered.index(reach.needle)",
        ),
    ),
)  # fmt: skip

_CONSENT = Decision(
    "consent",
    (
        "tests/api/test_pool.py::test_what_leaves_is_a_summary_and_coarse_traits",
        "tests/api/web/test_similar.py::test_leaving_and_taking_back",
        f"{_WHO_MAY}::test_an_adviser_records_but_does_not_own",
        f"{_POOL_OWNERS}::test_an_imported_copy_is_never_contributed",
        f"{_POOL_OWNERS}::test_a_log_that_was_typed_again_counts_once",
    ),
    (
        Break("the API takes a no for a yes", "api/schemas/pool.py", "consent: Literal[True]", "consent: bool"),
        Break("the page asks for nothing", "api/web/pool_comparison.py", 'if not typed.get("consent"):', "if False:"),
        Break(
            "an adviser may give it through the API", "api/pooling/routes.py",
            '    **requires(Rule.OWNS),\n    status_code=201,', '    **requires(Rule.SEES),\n    status_code=201,',
        ),
        Break(
            "an adviser may give it on the page", "api/web/pool_comparison.py",
            '@router.post("/leave", **requires(Rule.OWNS))', '@router.post("/leave", **requires(Rule.SEES))',
        ),
        Break("an imported engine is no copy", "api/exports/archive.py", "row.imported = True", "row.imported = False"),
        Break(
            "a log counts for everybody who holds it", "api/pooling/fitting.py",
            "earliest.setdefault(row.engine, row)", "earliest.setdefault(str(row.id), row)",
        ),
    ),
)  # fmt: skip

_OWNERS_404 = Decision(
    "somebody-elses-is-not-found",
    (
        f"{_WHO_MAY}::test_another_builders_number_is_as_good_as_none",
        f"{_WHO_MAY}::test_lists_show_only_ones_own",
        f"{_WHO_MAY}::test_an_adviser_records_but_does_not_own",
    ),
    (
        Break(
            "anybody known is let in", _GATE,
            '(relation == "owner" or (advises', "(relation is not None or (advises",
        ),
        Break(
            "it is forbidden, which tells that it is there", _GATE,
            'raise NotFoundError(\n        "Engine not found"', 'raise ForbiddenError(\n        "Engine not found"',
        ),
        Break("an adviser may what an owner may", _GATE, "(advises and rule is Rule.SEES)", "advises"),
        Break(
            "whoever asks counts as the owner", "api/accounts/repository.py",
            "    if owner == person_id:\n", "    if owner is not None:\n",
        ),
        Break(
            "lists show all", "api/accounts/principal.py",
            "owned = Installation.owner_id == self.person_id", "owned = Installation.owner_id.is_not(None)",
        ),
    ),
)  # fmt: skip

DECISIONS = (
    _STEP_LIMIT, _LEAN_LIMIT, _STAGE_ORDER, _UNCONFIRM, _SIGN_OF_TURN, _CENSORING, _TEMPERATURE_DIFFERENCE,
    _LEANEST_CYLINDER, _DENSITY_SIGN, _STEEPER_RICHER, _CONSENT, _OWNERS_404,
)  # fmt: skip
"""All of them."""
