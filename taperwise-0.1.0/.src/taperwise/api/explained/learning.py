"""What runs teach, measured: virtual engines tuned by the rule of thumb, fitted after some of their runs."""

import csv
import io

import numpy as np
from rich.console import Console
from rich.progress import track

from taperwise.api.explained.figures import RUNS
from taperwise.api.files.installation import installation_from
from taperwise.api.recommendations.factory import make_recommender
from taperwise.model.inference.contraction import LEARNED, share_learned
from taperwise.model.inference.dataset import gather
from taperwise.model.simulation.tuned import tuned

__all__ = ["measured"]


def measured(engines: int) -> str:
    """Median share of each unknown's prior variance that is gone after so many runs, as CSV.

    Parameters
    ----------
    engines : int
        Virtual engines, drawn from the prior.
    """
    installation, recommender = installation_from(None).record(), make_recommender()

    found: dict[int, list[dict[str, float]]] = {runs: [] for runs in RUNS}
    for seed in track(range(engines), description="learning", console=Console(stderr=True)):
        for runs in RUNS:
            log, _ = tuned(installation, runs, seed)
            found[runs].append(share_learned(recommender.sampler.fit(gather(installation, log), recommender.seed)))
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["unknown", *(f"after_{runs}" for runs in RUNS)])
    for name in LEARNED:
        shares = [float(np.median([each[name] for each in found[runs]])) for runs in RUNS]
        rows.writerow([name, *(f"{share:.3f}" for share in shares)])
    return text.getvalue()
