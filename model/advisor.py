"""From a log to an answer: learn, suggest, and ask what if. The door of this room."""

import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from model import MODEL_VERSION, wording
from model.candidates import weigh
from model.choice import choose
from model.engine_prior import EXPERT, EnginePrior
from model.evidence import Evidence, gather
from model.expectation import expectation
from model.faults import ALARM, suspicions
from model.holding import holding
from model.outlook import Outlook, look
from model.prediction import predict
from model.sampler import Posterior, Sampler
from model.stages import confidence_of
from model.summary import Summary, summarise
from model.watch import hold
from shared import cautions
from shared.advice import (
    Action,
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
    Suspicion,
)
from shared.limits import ScrewStep
from shared.records import ChangeNeedle, Entry, Installation
from shared.runs import Run

__all__ = ["Advisor", "Learned"]

_REMEMBERED = 8  # posteriors, about a megabyte each: the run before is what the latest one is held against


@dataclass(frozen=True)
class Learned:
    """What one log taught: the posterior, the outlook at the present setting, and the confidence in it."""

    posterior: Posterior
    now: Outlook
    confidence: Confidence

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
        Chains drawn at a time.
    prior : EnginePrior
        Of engines that do not bring their own.
    """

    def __init__(self, seed: int = 20_260_101, cores: int = 2, prior: EnginePrior = EXPERT) -> None:
        self.seed = seed
        self.prior = prior
        self._sampler = Sampler(cores)
        self._recent: OrderedDict[tuple[Installation, tuple[Entry, ...], EnginePrior], Posterior] = OrderedDict()
        self._lock = threading.Lock()

    @property
    def ready(self) -> bool:
        """Whether the sampler is compiled."""
        return self._sampler.ready

    def prepare(self, progress: Callable[[str], None] = lambda _: None) -> None:
        """Compile the sampler; a second call does nothing.

        Parameters
        ----------
        progress : callable
            Told in words what is going on.
        """
        self._sampler.compile(progress)

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
        log = tuple(entries)
        posterior = self._posterior(installation, log, prior or self.prior)
        evidence = posterior.evidence
        now = look(posterior, [evidence.position], evidence.ln_density)[0]
        return Learned(posterior, now, confidence_of(posterior, now, self._doubts(installation, log, evidence)))

    def _posterior(self, installation: Installation, log: tuple[Entry, ...], prior: EnginePrior) -> Posterior:
        """The posterior of a log, from memory where it was learned a moment ago."""
        key = (installation, log, prior)
        with self._lock:  # two cores: one fit at a time uses both
            if key not in self._recent:
                self._recent[key] = self._sampler.fit(gather(installation, log, prior), self.seed)
            self._recent.move_to_end(key)
            while len(self._recent) > _REMEMBERED:
                self._recent.popitem(last=False)
            return self._recent[key]

    def _doubts(self, installation: Installation, log: tuple[Entry, ...], evidence: Evidence) -> tuple[Suspicion, ...]:
        """Stories about the latest run, unless something was turned or acknowledged since."""
        if not log or not isinstance(log[-1], Run):
            return ()
        earlier = [i for i, entry in enumerate(log[:-1]) if isinstance(entry, Run)]
        if not earlier:
            return ()
        before = self._posterior(installation, log[: earlier[-1] + 1], evidence.prior)
        return suspicions(before, evidence) if before.diagnostics.converged else ()

    def summarise(self, learned: Learned) -> Summary:
        """What a log says of the unknowns that engines share, the prior divided out."""
        return summarise(learned.posterior)

    def suggest(self, learned: Learned) -> Suggestion:
        """The smallest useful step to make next."""
        posterior, confidence = learned.posterior, learned.confidence
        held = hold(learned.evidence)
        if held is not None:
            return self._answer(
                learned,
                held,
                Information(0.0, 0.0),
                predict(learned.now, posterior),
                (),
                "A limit of the engine was exceeded; what the runs taught is kept, the next step is withheld.",
            )
        if confidence.doubt >= ALARM:
            return self._answer(
                learned,
                wording.something_is_wrong(confidence),
                Information(0.0, 0.0),
                predict(learned.now, posterior),
                (),
                f"The latest run is not what the runs before it foretold: the chance that all is as recorded is "
                f"{1.0 - confidence.doubt:.0%}.",
            )
        if not posterior.diagnostics.converged:
            return self._answer(
                learned,
                wording.repeat_run(False),
                Information(0.0, 0.0),
                predict(learned.now, posterior),
                (),
                "The readings so far do not add up to a posterior that can be trusted, even after a careful second "
                "fit: check the last entries for a slip of the pen, and make another run at this setting.",
            )
        if confidence.stage is Stage.TUNED:
            return self._answer(
                learned,
                wording.keep(),
                Information(0.0, 0.0),
                predict(learned.now, posterior),
                (),
                f"All stages are confirmed; both mixtures are right with a chance of {confidence.chance_both:.0%}.",
            )
        weighing = weigh(posterior, confidence, learned.now)
        choice = choose(weighing, confidence, learned.evidence.installation)
        c = choice.chosen.candidate
        return self._answer(
            learned,
            choice.action,
            c.information,
            c.prediction,
            tuple(w.candidate for w in weighing.options),
            choice.why,
            tuple(NeedleProspect(r.needle, r.turns, r.chance_both) for r in weighing.reaches.values()),
        )

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
            provenance=Provenance(self.seed, MODEL_VERSION, learned.posterior.diagnostics),
            warnings=_warnings(evidence, learned.posterior),
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
            Ratio of the air's density to the sea-level standard [-]; that of the latest run if not given.

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
        ln_density = evidence.ln_density if density is None else math.log(density)
        return predict(look(learned.posterior, [position], ln_density)[0], learned.posterior)


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
