"""The tuning sheet: the present setting, how sure it is, every run and adjustment."""

from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from typing import Any

from starlette.exceptions import HTTPException

from taperwise.api import __version__
from taperwise.api.log import service
from taperwise.api.log.stop import exceeded_in
from taperwise.api.presentation import prediction_text as expected
from taperwise.api.presentation.chance_text import HAZARD
from taperwise.api.presentation.entry_text import adjustment_words, kind_words, run_words
from taperwise.api.presentation.formatting import STAGES, chance, direction, fraction, from_mark, quantity, runs
from taperwise.api.presentation.formatting import stop as stop_turns
from taperwise.api.presentation.needle_text import needle_words
from taperwise.api.presentation.set_up_text import set_up_words
from taperwise.api.presentation.sheet_text import verdict
from taperwise.api.presentation.stop_text import stop_sentence
from taperwise.api.schemas.log import EntryOut
from taperwise.api.schemas.recommendation import SuggestionOut

__all__ = ["Line", "Sheet", "as_pdf", "sheet_of"]


@dataclass(frozen=True)
class Line:
    """One entry on the sheet."""

    number: int
    time: datetime
    kind: str
    words: str
    state: str
    note: str
    findings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """What stands on the sheet, in the installation's units.

    Parameters
    ----------
    setting, confidence : tuple of (name, value)
    tuned : bool
        Whether all three stages are confirmed, and there is no stop.
    stopped : bool
    verdict : str
        Both in a sentence.
    lines : tuple of Line
    cautions : tuple of str
    made_from : str
        What it rests on.
    """

    name: str
    made_at: datetime
    setting: tuple[tuple[str, str], ...]
    confidence: tuple[tuple[str, str], ...]
    tuned: bool
    stopped: bool
    verdict: str
    stage: str
    expected: tuple[str, ...]
    lines: tuple[Line, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    made_from: str


def sheet_of(log: service.Log, entries: list[EntryOut], answer: SuggestionOut, now: datetime) -> Sheet:
    """The sheet of a log.

    Parameters
    ----------
    entries : list of EntryOut
        The log as it is shown.
    answer : SuggestionOut
        To the log as it stands.
    """
    c, p = answer.confidence, answer.provenance
    stages = (("full_throttle", c.full_throttle), ("idle_mixture", c.idle_mixture), ("idle_speed", c.idle_speed))
    confidence = [
        (
            f"{STAGES[name].capitalize()} in target",
            chance(s.chance_in_band) + (", confirmed" if s.confirmed else "" if s.observed else ", not checked yet"),
        )
        for name, s in stages
    ]
    confidence += [
        ("Both mixtures in target", chance(c.both)),
        (HAZARD, chance(c.lean_chance)),
    ]
    stop = stop_sentence(exceeded_in(log.installation, log.entries), log.sent.units)
    tuned = answer.stage == "tuned" and not stop
    return Sheet(
        name=log.sent.name or f"Engine {log.installation_id}",
        made_at=now,
        setting=_setting(log),
        confidence=tuple(confidence),
        tuned=tuned,
        stopped=bool(stop),
        verdict=verdict(tuned, STAGES[answer.stage], stop),
        stage=STAGES[answer.stage],
        expected=(
            expected.rise_line(answer.expected),
            expected.idle_line(answer.expected),
            expected.speed_line(answer.expected),
        )
        if answer.action.kind in ("keep", "repeat_run")
        else (),
        lines=tuple(_line(entry, log) for entry in entries),
        warnings=(*answer.warnings, *(f"Run {f.entry}: {f.words}" for f in answer.findings)),
        cautions=tuple(answer.cautions),
        made_from=f"Taperwise {__version__}, model {p.model_version}, seed {p.seed}, {c.runs_used} of "
        f"{runs(c.runs)} used" + ("" if p.diagnostics.converged else ". The result is NOT reliable"),
    )


def _setting(log: service.Log) -> tuple[tuple[str, str], ...]:
    here, sent = log.position(), log.sent
    lean = log.installation.throttle_body.lean_direction
    sense = lean.opposite() if lean is not None and here.turns > 0 else lean
    way = "" if sense is None or not here.turns else f" ({fraction(here.turns)} {direction(sense)})"
    targets = sent.in_preferred_units().targets
    return (
        ("Needle", f"{here.fitted_needle}, {needle_words(sent, here.fitted_needle)}"),
        ("Holder position", from_mark(here.turns) + way),
        ("Idle stop screw", f"{stop_turns(here.idle_stop_turns)} since the log began"),
        ("Fuel", sent.fuel.replace("_", " ")),
        ("Target range: EGT rise", f"{quantity(targets.rise.low)} to {quantity(targets.rise.high)}"),
        ("Target range: idle speed", f"{quantity(targets.idle_rpm.low)} to {quantity(targets.idle_rpm.high)}"),
        (
            "Target range: rise of idle speed, where measured",
            f"{quantity(targets.idle_rise.low)} to {quantity(targets.idle_rise.high)}",
        ),
    )


def _line(entry: EntryOut, log: service.Log) -> Line:
    now: Any = entry.corrections[-1] if entry.corrections and not entry.voided else entry
    if now.run is not None:
        words = run_words(now.run, log.sent.units)
        note = now.run.note
    elif now.adjustment is not None:
        words, note = adjustment_words(now.adjustment), now.adjustment.note
    elif entry.set_up is not None:
        words, note = set_up_words(entry.set_up, log.sent.units), entry.set_up.note
    else:
        words, note = (entry.acknowledged.cause if entry.acknowledged else ""), ""
    state = "voided" if entry.voided else "corrected" if entry.corrections else ""
    kind = kind_words(entry.kind, entry.acknowledged)
    return Line(entry.sequence, entry.time, kind, words, state, note, tuple(f.words for f in entry.findings))


def as_pdf(html: str) -> bytes:
    """A page as PDF; nothing is loaded but what stands in it as `data:`.

    Raises
    ------
    HTTPException
        503 if the libraries that lay out text are not installed on this machine.
    """
    try:
        import weasyprint  # two seconds, and libraries of the machine that may be missing
    except OSError:
        words = (
            "The service cannot make a PDF: the Pango library is missing (Debian: libpangoft2-1.0-0). Print the page."
        )
        raise HTTPException(503, words) from None
    from PIL import ImageFile

    ImageFile.LOAD_TRUNCATED_IMAGES = False  # weasyprint lets photos that are cut short pass in the whole process
    nothing_else = weasyprint.urls.URLFetcher(allowed_protocols={"data"}, fail_on_errors=True)
    style = files("taperwise.api.web").joinpath("static", "pages", "sheet.css").read_text(encoding="utf-8")
    document = weasyprint.HTML(string=html, url_fetcher=nothing_else)
    pdf: bytes = document.write_pdf(stylesheets=[weasyprint.CSS(string=style, url_fetcher=nothing_else)])
    return pdf
