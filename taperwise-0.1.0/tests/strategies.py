"""Hypothesis strategies shared by the tests: logs of runs and adjustments."""

from hypothesis import strategies as st

from taperwise.shared.records import Acknowledge, ChangeNeedle, ChangePart, Entry, Part, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run, Sureness
from tests.conftest import NEEDLES

airs = st.builds(Air, st.floats(253.0, 313.0), st.floats(80_000.0, 104_000.0), st.floats(0.0, 1.0))

rises = st.one_of(
    st.builds(ExhaustRise, st.just(RiseSeen.PEAK), st.floats(0.0, 250.0)),
    st.builds(
        ExhaustRise,
        st.just(RiseSeen.PEAK),
        st.floats(0.0, 250.0),
        st.floats(0.5, 20.0),
        st.just(4),
        st.floats(0.0, 40.0),
    ),
    st.just(ExhaustRise(RiseSeen.FELL_AT_ONCE)),
    st.builds(ExhaustRise, st.just(RiseSeen.ROUGH_BEFORE_PEAK), st.floats(50.0, 250.0)),
)

runs = st.builds(
    Run,
    airs,
    rise=st.none() | rises,
    idle_quality=st.sampled_from(IdleQuality),  # so that no run is empty
    idle_rpm_rise=st.none() | st.floats(0.0, 150.0),
    static_rpm=st.none() | st.floats(2000.0, 3200.0),
    idle_rpm=st.none() | st.floats(400.0, 1200.0),
    power_rpm_rise=st.none() | st.floats(0.0, 100.0),
    meters=st.builds(
        lambda shown, flow: tuple((n, x) for n, x in (("lambda_full_rich", shown), ("fuel_flow", flow)) if x),
        st.none() | st.floats(0.7, 1.1),
        st.none() | st.floats(5e-6, 2e-5),
    ),
    sureness=st.sampled_from(Sureness),
)

eighths = st.integers(-8, 8).filter(bool).map(lambda n: n / 8)

adjustments = st.one_of(
    st.builds(TurnScrew, eighths),
    st.builds(TurnIdleStop, eighths),
    st.builds(ChangeNeedle, st.sampled_from([n.label for n in NEEDLES]), eighths),
    st.builds(ChangePart, st.sampled_from(Part)),
)

logs: st.SearchStrategy[list[Entry]] = st.lists(
    runs | adjustments | st.just(Acknowledge("a loose baffle, refitted")), max_size=12
)
