"""From a log to an answer: learn, suggest, and ask what if. The door of this room."""

import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from model import MODEL_VERSION
from model.doubt.faults import ALARM, ALARM_AT_THE_END, LATEST, Foretold, suspicions
from model.learning.compiled import Shelf
from model.learning.engine_prior import EXPERT, EnginePrior
from model.learning.evidence import Evidence
from model.learning.memory import Log, Memory
from model.learning.particles import posteriors
from model.learning.reweighting import means_the_same, reweighted
from model.learning.sampler import LONG, TRIES, Posterior, Sampler
from model.pool.summary import Summary, summarise
from model.setting.holding import holding, on_a_cold_low_day
from model.setting.outlook import Outlook, look, present
from model.setting.precision import precise
from model.setting.prediction import predict
from model.setting.stages import confidence_of
from model.step import wording
from model.step.candidates import weigh
from model.step.choice import choose
from model.step.expectation import expectation
from model.step.watch import hold
from shared import cautions
from shared.advice import (
    Action,
    ActionKind,
    Candidate,
    Confidence,
    Holding,
    Information,
    InspectCause,
    NeedleProspect,
    Prediction,
    Provenance,
    Stage,
    Suggestion,
)
from shared.limits import ScrewStep
from shared.records import Acknowledge, ChangeNeedle, Entry, Installation
from shared.runs import Run

__all__ = ["Advisor", "Learned"]

_REMEMBERED = 64  # first fits, about a megabyte each: the latest runs are held against those before them
_SETTLED = 8  # posteriors drawn to the end, about four megabytes each: a turn since then teaches nothing
_MOST_CHAINS = 40  # drawn of one log; what is not settled by then is told with the error it has
_WEIGHED_ON = 2800  # draws on which candidates are weighed: those of a first fit
_ENTRIES_SINCE = 4  # a run and what was turned before it; draws of a log shorter than that would hardly do

_NOTHING = Information(0.0, 0.0)
_NOT_TRUSTED = (
    "The readings so far do not add up to a posterior that can be trusted, even after a careful second fit: check the "
    "last entries for a slip of the pen, and make another run at this setting."
)


@dataclass(frozen=True)
class Learned:
    """What one log taught: the posterior, the outlook at the present setting, and the confidence in it.

    `quick`: not settled yet; what `Advisor.learn` gives takes its place.
    """

    posterior: Posterior
    now: Outlook
    confidence: Confidence
    quick: bool = False

    @property
    def evidence(self) -> Evidence:
        """The log laid out."""
        return self.posterior.evidence


class Advisor:
    """Learns from logs and suggests the next step. Safe to share between threads.

    Parameters
    ----------
    seed : int
        Same log, same seed and same versions give the same answer.
    cores : int
        Chains drawn, and candidates weighed, at a time.
    prior : EnginePrior
        Of engines that do not bring their own.
    shelf : Shelf, optional
        Where the compiled sampler lasts between starts.
    settle : bool
        Whether `learn` goes on drawing until the figures are settled (`model.setting.precision`); without it, it takes
        what a first fit gives, in a fraction of the time.

    Attributes
    ----------
    sampler : Sampler
        What all logs are fitted with.
    """

    def __init__(
        self,
        seed: int = 20_260_101,
        cores: int = 2,
        prior: EnginePrior = EXPERT,
        shelf: Shelf | None = None,
        settle: bool = True,
    ) -> None:
        self.seed = seed
        self._settle = settle
        self.prior = prior
        self._cores = cores
        self.sampler = Sampler(cores, shelf)
        self._first_fits, self._settled_fits = Memory(_REMEMBERED), Memory(_SETTLED)
        self._foretold = Foretold()
        self._fitting = threading.Lock()
        self._leading = threading.Lock()  # of its own: a fit may be waiting for the sampler to be compiled

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

    def learn(self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None) -> Learned:
        """Fit the posterior to a log.

        Parameters
        ----------
        entries : sequence of Run or Adjustment
            In the order in which they happened.
        prior : EnginePrior, optional
            Of this engine; the adviser's own if not given.

        Raises
        ------
        UnknownNeedleError
            If a needle was fitted that is not on hand.
        """
        log = self._log(installation, entries, prior)
        first = self._first(log)
        if not self._settle:
            return first
        settled = self._settled(log)
        now = present(settled)
        return Learned(settled, now, confidence_of(settled, now, first.confidence.suspicions))

    def learn_roughly(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> Learned:
        """What a first fit to a log says: for looking back on many logs, where settled figures are not worth the wait.

        Parameters
        ----------
        entries, prior
            As for `learn`.

        Raises
        ------
        UnknownNeedleError
            If a needle was fitted that is not on hand.
        """
        return self._first(self._log(installation, entries, prior))

    def learn_quickly(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> Learned | None:
        """What is remembered of the log some entries ago, weighed by what came since (`model.learning.reweighting`).

        Where too little is remembered, or the weights are not to be believed, it is what a first fit gives; as long as
        the sampler is not compiled, what particles give (`model.learning.particles`).

        Parameters
        ----------
        entries, prior
            As for `learn`.

        Returns
        -------
        Learned or None
            None where `learn` is as quick: where nothing but turns came since it learned, or it does not settle. None
            too where particles do not agree before the sampler is compiled.
        """
        log = self._log(installation, entries, prior)
        if not self.sampler.ready:
            return self._by_particles(log)
        if log in self._settled_fits:
            return None
        weighed = self._weighed(log)
        if weighed is not None or not self._settle:
            return weighed
        return replace(self._first(log), quick=True)

    def _log(self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None) -> Log:
        return Log(installation, tuple(entries), prior or self.prior)

    def _by_particles(self, log: Log) -> Learned | None:
        """Without the sampler; the latest runs are held against the particles of those before them on the way."""
        evidence = log.evidence()
        befores = [each.evidence() for each in _doubted(log)]
        grown = [each for each in befores if means_the_same(each, evidence)]
        with self._leading:
            *known, posterior = posteriors([*grown, evidence], self.seed)
        if not posterior.diagnostics.converged:
            return None
        return replace(self._learned(posterior, known), quick=True)

    def _first(self, log: Log) -> Learned:
        """What first fits say."""
        return self._learned(self._fitted(log), [self._fitted(each) for each in _doubted(log)])

    def _weighed(self, log: Log) -> Learned | None:
        """From what is remembered alone; None where too little is there, or all of it."""
        befores = [self._first_fits.recall(each) for each in _doubted(log)]
        known = [before for before in befores if before is not None]
        if len(known) < len(befores) or log in self._first_fits:
            return None
        start = self._first_fits.latest(log, _ENTRIES_SINCE)
        posterior = None if start is None else reweighted(start, log.evidence())
        return None if posterior is None else replace(self._learned(posterior, known), quick=True)

    def _fitted(self, log: Log) -> Posterior:
        """A first fit to a log, from memory where it was made a moment ago."""
        with self._fitting:  # two cores: one fit at a time uses both
            found = self._first_fits.recall(log)
            if found is None:
                fitted = self.sampler.fit(log.telling().evidence(), self.seed)
                self._first_fits.keep(log, fitted)
                found = replace(fitted, evidence=log.evidence())
        return found

    def _settled(self, log: Log) -> Posterior:
        """With more draws, by more chains, until Monte Carlo error no longer shows in what is told.

        Where chains do not converge together, it is begun anew with more care, as long as there is more to take.
        """
        found = self._settled_fits.recall(log)
        if found is not None:
            return found
        posterior = self._fitted(log.telling())
        while (told := posterior.diagnostics).converged and told.chains < _MOST_CHAINS and not precise(posterior):
            with self._fitting:  # somebody may be waiting for a first fit: it comes between
                posterior = self.sampler.further(posterior)
            careful = told.refits + 1
            if not posterior.diagnostics.converged and careful < TRIES:
                with self._fitting:
                    posterior = self.sampler.fit(posterior.evidence, self.seed, careful)
        self._settled_fits.keep(log, posterior)
        return replace(posterior, evidence=log.evidence())

    def _learned(self, posterior: Posterior, befores: Sequence[Posterior]) -> Learned:
        """The present setting, seen through a posterior and doubted by those before it."""
        now, trusted = present(posterior), [before for before in befores if before.diagnostics.converged]
        doubts = suspicions(trusted, posterior.evidence, self._foretold)
        return Learned(posterior, now, confidence_of(posterior, now, doubts))

    def summarise(self, learned: Learned) -> Summary:
        """What a log says of the unknowns that engines share, the prior divided out; drawn anew, longer than an answer.

        It is drawn under the expert's prior, whatever the answer was: what a pool said must not come back to it. Where
        the longer draw is not to be believed, one as for an answer is taken.

        Raises
        ------
        NotConvergedError
            If the sampler broke down.
        """
        evidence = replace(learned.evidence, prior=EXPERT)
        with self._fitting:
            drawn = self.sampler.fit_once(evidence, self.seed, LONG)
            if not drawn.diagnostics.converged:
                drawn = self.sampler.fit(evidence, self.seed)
        return summarise(drawn)

    def suggest(self, learned: Learned) -> Suggestion:
        """The smallest useful step to make next."""
        posterior, confidence = learned.posterior, learned.confidence
        held = hold(learned.evidence)
        if held is not None:
            why = "A limit of the engine was exceeded; what the runs taught is kept, the next step is withheld."
            return self._without_weighing(learned, held, why)
        if confidence.doubt >= ALARM:
            return self._look_first(learned)
        if not posterior.diagnostics.converged:
            return self._without_weighing(learned, wording.repeat_run(False), _NOT_TRUSTED)
        doubted = confidence.doubt >= ALARM_AT_THE_END
        if confidence.stage is Stage.TUNED:
            why = f"All stages are confirmed; both mixtures are right with a chance of {confidence.chance_both:.0%}."
            return self._look_first(learned) if doubted else self._without_weighing(learned, wording.keep(), why)
        weighing = weigh(*_fewer(learned), cores=self._cores)
        choice = choose(weighing, confidence, learned.evidence.installation)
        if doubted and choice.action.cause is InspectCause.NO_NEEDLE_FITS:
            return self._look_first(learned)
        c = choice.chosen.candidate
        return self._answer(
            learned,
            choice.action,
            c.information or _NOTHING,
            c.prediction,
            tuple(w.candidate for w in weighing.options),
            choice.why,
            tuple(NeedleProspect(r.needle, r.turns, r.chance_both) for r in weighing.reaches.values()),
        )

    def _look_first(self, learned: Learned) -> Suggestion:
        confidence = learned.confidence
        why = (
            f"The latest runs are not what those before them foretold: the chance that all is as recorded is "
            f"{1.0 - confidence.doubt:.0%}."
        )
        return self._without_weighing(learned, wording.something_is_wrong(confidence), why)

    def _without_weighing(self, learned: Learned, action: Action, why: str) -> Suggestion:
        return self._answer(learned, action, _NOTHING, predict(learned.now, learned.posterior), (), why)

    def _answer(
        self,
        learned: Learned,
        action: Action,
        information: Information,
        expected: Prediction,
        alternatives: tuple[Candidate, ...],
        why: str,
        needles: tuple[NeedleProspect, ...] = (),
    ) -> Suggestion:
        confidence, evidence = learned.confidence, learned.evidence
        return Suggestion(
            stage=confidence.stage,
            action=action,
            why=why,
            expect=expectation(action, expected, confidence.stage),
            expected=expected,
            information=information,
            alternatives=alternatives,
            cautions=cautions.for_stage(confidence.stage, action.cause is InspectCause.LIMIT_EXCEEDED),
            confidence=confidence,
            provenance=Provenance(self.seed, MODEL_VERSION, learned.posterior.diagnostics, learned.quick),
            warnings=(*_warnings(evidence, learned.posterior), *_denser_air(learned, action)),
            needles=needles,
        )

    def will_it_hold(self, learned: Learned) -> Holding:
        """The present setting in other air."""
        return holding(learned.posterior)

    def what_if(
        self, learned: Learned, turns: float = 0.0, needle: str | None = None, density: float | None = None
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
        """
        evidence = learned.evidence
        position = evidence.position
        if turns:
            ScrewStep(turns, evidence.installation.limits)
        if needle is not None and needle != position.needle:
            evidence.installation.needle(needle)
            position = position.after(ChangeNeedle(needle), evidence.installation)
        position = replace(position, turns=position.turns + turns)
        middle = (evidence.ln_density, evidence.ln_density_error)
        air = middle if density is None else (math.log(density), 0.0)
        return predict(look(learned.posterior, [position], *air)[0], learned.posterior)


def _doubted(log: Log) -> list[Log]:
    """The log as it was after each run whose foretelling the latest runs are held against.

    None of them where something was turned or acknowledged since.
    """
    entries = log.entries
    if not entries or not isinstance(entries[-1], Run):
        return []
    told = max((i for i, entry in enumerate(entries) if isinstance(entry, Acknowledge)), default=-1)
    runs = [i for i, entry in enumerate(entries) if isinstance(entry, Run)]
    # a story begins with a run that was not acknowledged, and needs a run before it to stand out from
    return [log.until(before + 1) for before, run in pairwise(runs) if run > told][-LATEST:]


def _fewer(learned: Learned) -> tuple[Posterior, Confidence, Outlook]:
    """What candidates are weighed on: no more draws than the choice among them needs."""
    posterior = learned.posterior.thinned(_WEIGHED_ON)
    if posterior is learned.posterior:
        return posterior, learned.confidence, learned.now
    return posterior, learned.confidence, present(posterior)


def _denser_air(learned: Learned, action: Action) -> tuple[str, ...]:
    """Tuned here is not tuned everywhere: what is right in thin air may be too lean in dense air."""
    if action.kind is not ActionKind.KEEP:
        return ()
    cold = on_a_cold_low_day(learned.posterior)
    if cold.lean_chance <= learned.evidence.installation.limits.lean_chance:
        return ()
    return (
        f"This setting is right for the air of these runs. On a cold day at a low field (air {cold.density_ratio:.2f} "
        f"times as dense as the standard) it would run lean of peak at full throttle with a chance of "
        f"{cold.lean_chance:.0%}: before using it in denser air than this, tie down, make a run and ask again.",
    )


def _warnings(evidence: Evidence, posterior: Posterior) -> tuple[str, ...]:
    found = []
    left_out = evidence.runs - evidence.runs_used
    if left_out:
        found.append(
            f"{left_out} early runs were left out: the model holds the latest changes of needle and parts apart, "
            "and these runs lie before them."
        )
    if not posterior.diagnostics.converged:
        found.append("The posterior did not converge: take no figure here as settled.")
    return tuple(found)
