"""What runs teach, measured: virtual engines tuned by the rule of thumb, fitted after some of their runs."""

import csv
import io

import numpy as np

from api.explained.figures import RUNS

__all__ = ["measured"]


def measured(engines: int) -> str:
    """Median share of each unknown's prior variance that is gone after so many runs, as CSV.

    Parameters
    ----------
    engines : int
        Virtual engines, drawn from the prior.
    """
    from rich.console import Console
    from rich.progress import track

    from api.advice.real_adviser import real_adviser
    from api.files.installation import installation_from

    installation, advisor = installation_from(None).record(), real_adviser()
    from model.learning.evidence import gather
    from model.learning.learned_of import LEARNED, share_learned
    from model.trial.tuned import tuned

    found: dict[int, list[dict[str, float]]] = {runs: [] for runs in RUNS}
    for seed in track(range(engines), description="learning", console=Console(stderr=True)):
        for runs in RUNS:
            log, _ = tuned(installation, runs, seed)
            found[runs].append(share_learned(advisor.sampler.fit(gather(installation, log), advisor.seed)))
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["unknown", *(f"after_{runs}" for runs in RUNS)])
    for name in LEARNED:
        shares = [float(np.median([each[name] for each in found[runs]])) for runs in RUNS]
        rows.writerow([name, *(f"{share:.3f}" for share in shares)])
    return text.getvalue()
