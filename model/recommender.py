"""From a log to an answer: learn, suggest, and ask what if. The door of this room."""

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from taperwise.model import MODEL_VERSION
from taperwise.model.design import actions
from taperwise.model.design.candidates import evaluate_candidates
from taperwise.model.design.limit_check import limit_action, static_speed_action, stuck_rise_action
from taperwise.model.design.notices import needles_notice, notices
from taperwise.model.design.runs_to_finish import runs_to_finish
from taperwise.model.design.selection import choose, most_informative
from taperwise.model.design.what_to_read import readings_worth
from taperwise.model.diagnosis.contradiction import contradicts_itself
from taperwise.model.diagnosis.fault_detection import ALARM, ALARM_AT_THE_END, earlier_logs, fault_probabilities
from taperwise.model.inference.compiled_logp import Shelf
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.earlier_fits import CHANCES, EarlierFit, LookedBack, key_of
from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.model.inference.posterior_cache import Log, Memory
from taperwise.model.inference.sampler import FIRST_TRY, LONG, Posterior, Sampler
from taperwise.model.physics.air import conditions_at
from taperwise.model.population.summary import Summary, summarise
from taperwise.model.prediction.density_sensitivity import density_sensitivity, in_the_coldest_air
from taperwise.model.prediction.predictive import Outcomes, draw_outcomes, predict
from taperwise.model.prediction.setting_draws import SettingDraws, predict_current, predict_settings
from taperwise.model.prediction.stages import confidence_of
from taperwise.shared.limits import ScrewStep
from taperwise.shared.outlook import NeedleProspect
from taperwise.shared.reasons import InspectCause, Reason, ReasonCode
from taperwise.shared.recommendation import (
    Action,
    ActionKind,
    Candidate,
    Confidence,
    Holding,
    Information,
    Prediction,
    Provenance,
    Stage,
    Suggestion,
)
from taperwise.shared.records import ChangeNeedle, Entry, Installation

__all__ = ["Learned", "LookedBack", "Recommender"]

_REMEMBERED = 24  # posteriors in memory, about a megabyte each: pictures and what-if ask again for the same ones

_NOTHING = Information(0.0, 0.0)

_FEW: Mapping[str, Any] = {**FIRST_TRY, "draws": 100, "tune": 100}
"""Where the readings contradict each other: enough to show where they scatter, for a twentieth of the two tries."""


@dataclass(frozen=True)
class Learned:
    """What one log taught: the posterior, the outlook at the present setting, and the confidence in it.

    `to_keep` holds fits that a store may keep for later answers, as bytes by `key_of`: that of this log, and those of
    earlier logs that had to be made on the way.
    """

    posterior: Posterior
    now: SettingDraws
    confidence: Confidence
    to_keep: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def evidence(self) -> Evidence:
        """The log laid out."""
        return self.posterior.evidence


class Recommender:
    """Learns from logs and suggests the next step. Safe to share between threads.

    Parameters
    ----------
    seed : int
        Same log, same seed and same versions give the same answer.
    cores : int
        Chains drawn, and candidates weighed, at a time; it changes no figure.
    prior : EnginePrior
        Of engines that do not bring their own.
    shelf : Shelf, optional
        Where the compiled sampler lasts between starts.

    Attributes
    ----------
    sampler : Sampler
        What all logs are fitted with.
    """

    def __init__(
        self, seed: int = 20_260_101, cores: int = 2, prior: EnginePrior = EXPERT, shelf: Shelf | None = None
    ) -> None:
        self.seed = seed
        self.prior = prior
        self._cores = cores
        self.sampler = Sampler(cores, shelf)
        self._posteriors = Memory(_REMEMBERED)
        self._fitting = threading.Lock()

    @property
    def ready(self) -> bool:
        """Whether the sampler is compiled."""
        return self.sampler.ready

    def prepare(self, progress: Callable[[str], None] = lambda _: None) -> None:
        """Compile the sampler; a second call does nothing.

        Parameters
        ----------
        progress : callable
            Told in words what is going on.
        """
        self.sampler.compile(progress)

    def learn(
        self,
        installation: Installation,
        entries: Sequence[Entry],
        prior: EnginePrior | None = None,
        kept: Mapping[str, bytes] | None = None,
    ) -> Learned:
        """Fit the posterior to a log, and hold its latest runs against the fits before them.

        Parameters
        ----------
        entries : sequence of Run or Adjustment
            In the order in which they happened.
        prior : EnginePrior, optional
            Of this engine; the recommender's own if not given.
        kept : mapping of str to bytes, optional
            Earlier fits from a store, by the keys that `earlier_keys` names. Missing or damaged ones are made again,
            each with a fit of its own; the answer is the same.

        Raises
        ------
        UnknownNeedleError
            If an installed needle is not among the installation's needles.
        """
        log, to_keep = self._log(installation, entries, prior), dict[str, bytes]()
        posterior = self._fitted(log)
        trusted = list(self._trusted(log, posterior, kept or {}, to_keep)) if posterior.evidence.runs else []
        doubts = fault_probabilities(trusted, posterior.evidence, self._cores)
        now = predict_current(posterior)
        return Learned(posterior, now, confidence_of(posterior, now, doubts), to_keep)

    def fit(self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None) -> Posterior:
        """The posterior of a log alone, without the faults its latest runs may tell of.

        Parameters
        ----------
        entries, prior
            As for `learn`.

        Raises
        ------
        UnknownNeedleError
            If an installed needle is not among the installation's needles.
        """
        return self._fitted(self._log(installation, entries, prior))

    def earlier_keys(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> tuple[str, ...]:
        """Keys of the fits that `learn` takes from a store: of earlier logs, and of this one."""
        log = self._log(installation, entries, prior)
        return tuple(key_of(each, self.seed) for each in (*earlier_logs(log), log))

    def look_back(
        self,
        installation: Installation,
        entries: Sequence[Entry],
        prior: EnginePrior | None = None,
        kept: Mapping[str, bytes] | None = None,
    ) -> "LookedBack":
        """The fit of an earlier log, for looking back on it.

        Parameters
        ----------
        entries, prior, kept
            As for `learn`.
        """
        log, to_keep = self._log(installation, entries, prior).telling(), dict[str, bytes]()
        earlier = self._kept_or_made(log, kept or {}, to_keep)
        chances = dict(zip(CHANCES, earlier.chances.tolist(), strict=True))
        return LookedBack(earlier.posterior(log.evidence(), self.seed), chances, to_keep)

    def _log(self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None) -> Log:
        return Log(installation, tuple(entries), prior or self.prior)

    def _fitted(self, log: Log) -> Posterior:
        """The posterior of a log, from memory where it was asked for a moment ago."""
        with self._fitting:  # two cores: one fit at a time uses both
            found = self._posteriors.recall(log)
            if found is None:
                fitted = self._drawn(log.telling().evidence())
                self._posteriors.keep(log, fitted)
                found = replace(fitted, evidence=log.evidence())
        return found

    def _drawn(self, evidence: Evidence) -> Posterior:
        """Drawn from the posterior; a few draws, not to be believed, where the readings contradict each other."""
        if not contradicts_itself(evidence):
            return self.sampler.fit(evidence, self.seed)
        few = self.sampler.fit_once(evidence, self.seed, _FEW)
        return replace(few, diagnostics=replace(few.diagnostics, converged=False))

    def _trusted(
        self, log: Log, whole: Posterior, kept: Mapping[str, bytes], to_keep: dict[str, bytes]
    ) -> Iterator[Posterior]:
        """Fits that are to be believed: of the log before each of the latest runs, then of the whole log.

        Where the readings contradict each other as no engine's do, no earlier log is fitted. Where neither the whole
        log nor an earlier one converged, the logs between them are not fitted: they hold the same contradiction, and
        each would take as long.
        """
        earlier = () if contradicts_itself(whole.evidence) else earlier_logs(log)
        for part in (*earlier, log.telling()):
            fit = self._kept_or_made(part, kept, to_keep)
            if fit.diagnostics.converged:
                yield fit.posterior(part.evidence(), self.seed)
            elif not whole.diagnostics.converged:
                break

    def _kept_or_made(self, log: Log, kept: Mapping[str, bytes], to_keep: dict[str, bytes]) -> EarlierFit:
        """From the store; made, and put beside what is to be kept, where it is not there or damaged."""
        key = key_of(log, self.seed)
        if key in kept:
            with suppress(ValueError):
                return EarlierFit.from_bytes(kept[key])
        posterior = self._fitted(log)
        c = confidence_of(posterior, predict_current(posterior))
        chances = (c.full_throttle, c.idle_mixture, c.idle_speed)
        made = EarlierFit.of(posterior, (*(each.chance_in_band or 0.0 for each in chances), c.chance_both))
        to_keep[key] = made.to_bytes()
        return made

    def summarise(self, posterior: Posterior) -> Summary:
        """What a log says of the unknowns that engines share, the prior divided out; drawn anew, longer than an answer.

        It is drawn under the expert's prior, whatever the answer was: what a pool said must not come back to it. Where
        the longer draw is not to be believed, one as for an answer is taken.

        Raises
        ------
        NotConvergedError
            If the sampler broke down.
        """
        evidence = replace(posterior.evidence, prior=EXPERT)
        with self._fitting:
            drawn = self.sampler.fit_once(evidence, self.seed, LONG)
            if not drawn.diagnostics.converged:
                drawn = self.sampler.fit(evidence, self.seed)
        return summarise(drawn)

    def suggest(self, learned: Learned) -> Suggestion:
        """The smallest useful step to make next."""
        posterior, confidence = learned.posterior, learned.confidence
        held = limit_action(learned.evidence)
        if held is not None:
            return self._without_weighing(learned, held, ReasonCode.LIMIT_EXCEEDED)
        if confidence.doubt >= ALARM:
            return self._look_first(learned)
        if not posterior.diagnostics.converged:
            return self._without_weighing(learned, actions.repeat_run(), ReasonCode.NOT_TRUSTED)
        stuck = stuck_rise_action(learned.evidence)
        if stuck is not None:
            return self._without_weighing(learned, stuck, ReasonCode.RISE_STUCK)
        slow = static_speed_action(learned.now, learned.evidence) if confidence.full_throttle.confirmed else None
        if slow is not None:
            return self._without_weighing(learned, slow, ReasonCode.STATIC_SPEED_OUT)
        doubted = confidence.doubt >= ALARM_AT_THE_END
        if confidence.stage is Stage.TUNED:
            if doubted:
                return self._look_first(learned)
            return self._without_weighing(learned, actions.keep(), ReasonCode.ALL_CONFIRMED)
        if _may_be_kept(learned) and not doubted:
            return self._without_weighing(learned, actions.keep(), ReasonCode.ACCEPTED)
        weighing = evaluate_candidates(posterior, confidence, learned.now, cores=self._cores)
        choice = choose(weighing, confidence, learned.evidence.installation)
        needle = choice.action.kind is ActionKind.CHANGE_NEEDLE or choice.action.cause is InspectCause.NO_NEEDLE_FITS
        if doubted and needle:
            return self._look_first(learned)
        c = choice.chosen.candidate
        answer = self._answer(
            learned,
            choice.action,
            c.information or _NOTHING,
            c.prediction,
            tuple(w.candidate for w in weighing.options),
            choice.why,
            tuple(NeedleProspect(r.needle, r.turns, r.chance_both) for r in weighing.reaches.values()),
        )
        goes_on = choice.action.cause is None
        installation = learned.evidence.installation
        return replace(
            answer,
            warnings=(*answer.warnings, *needles_notice(weighing, confidence, choice.action, installation)),
            most_informative=most_informative(weighing, choice.chosen),
            worth_reading=readings_worth(weighing, choice.chosen, installation),
            runs_to_finish=runs_to_finish(confidence, choice.chosen.price) if goes_on else None,
        )

    def _look_first(self, learned: Learned) -> Suggestion:
        action = actions.something_is_wrong(learned.confidence)
        return self._without_weighing(learned, action, ReasonCode.NOT_AS_FORETOLD)

    def _without_weighing(self, learned: Learned, action: Action, why: ReasonCode) -> Suggestion:
        return self._answer(learned, action, _NOTHING, predict(learned.now, learned.posterior), (), Reason(why))

    def _answer(
        self,
        learned: Learned,
        action: Action,
        information: Information,
        expected: Prediction,
        alternatives: tuple[Candidate, ...],
        why: Reason,
        needles: tuple[NeedleProspect, ...] = (),
    ) -> Suggestion:
        confidence = learned.confidence
        return Suggestion(
            stage=confidence.stage,
            action=action,
            why=why,
            expected=expected,
            information=information,
            alternatives=alternatives,
            confidence=confidence,
            provenance=Provenance(self.seed, MODEL_VERSION, learned.posterior.diagnostics),
            warnings=notices(learned.posterior, action),
            needles=needles,
            coldest_air=in_the_coldest_air(learned.posterior),
        )

    def will_it_hold(self, posterior: Posterior) -> Holding:
        """The present setting in other air."""
        return density_sensitivity(posterior)

    def what_if(
        self, posterior: Posterior, turns: float = 0.0, needle: str | None = None, density: float | None = None
    ) -> Prediction:
        """What another setting should show.

        Parameters
        ----------
        turns : float
            Signed screw turns from the present position, or from the mark for another needle [turns].
        needle : str, optional
            Needle fitted instead.
        density : float, optional
            Ratio of the air's density to the sea-level standard [-]; that of the latest runs if not given.

        Raises
        ------
        StepLimitError
            If the turns are beyond the installation's largest step.
        UnknownNeedleError
            If the needle is not on hand.
        OutOfRangeError
            If no air is of that density.
        """
        return predict(self._setting(posterior, turns, needle, density), posterior)

    def draws_at(self, posterior: Posterior, turns: float, needle: str | None, density: float | None) -> Outcomes:
        """Readings of one run at another setting, arrays of (draws,); parameters and errors as `what_if`."""
        setting = self._setting(posterior, turns, needle, density)
        return draw_outcomes(setting, posterior, np.random.default_rng([posterior.seed, 2]))

    def _setting(self, posterior: Posterior, turns: float, needle: str | None, density: float | None) -> SettingDraws:
        evidence = posterior.evidence
        position = evidence.position
        if turns:
            ScrewStep(turns, evidence.installation.limits)
        if needle is not None and needle != position.needle:
            evidence.installation.needle(needle)
            position = position.after(ChangeNeedle(needle), evidence.installation)
        position = replace(position, turns=position.turns + turns)
        middle = (evidence.conditions, evidence.ln_density_error)
        air = middle if density is None else (conditions_at(density, evidence.conditions.ln_head), 0.0)
        return predict_settings(posterior, [position], *air)[0]


def _may_be_kept(learned: Learned) -> bool:
    """Whether the owner accepted the setting: both ends were looked at there, and it is within the lean limit."""
    c, evidence = learned.confidence, learned.evidence
    seen = c.full_throttle.observed and c.idle_mixture.observed
    return evidence.accepted and seen and c.lean_chance <= evidence.installation.limits.lean_chance
