"""The posterior's draws as a file that statisticians open: netCDF in the layout of ArviZ."""

import tempfile
from pathlib import Path
from typing import Any

from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import Unknowns

__all__ = ["netcdf"]


def netcdf(posterior: Posterior) -> bytes:
    """A group `posterior`, every unknown of shape (chain, draw) or (chain, draw, change).

    Parameters
    ----------
    posterior : Posterior
    """
    import xarray as xr  # a tenth of a second that a start does without

    d = posterior.diagnostics
    shape = (d.chains, -1)
    found: dict[str, Any] = {}
    for name in Unknowns.names():
        values = getattr(posterior.unknowns, name)
        if name in ("first", "second"):
            found[name] = (("chain", "draw", "change"), values.reshape(*shape, values.shape[1]))
        else:
            found[name] = (("chain", "draw"), values.reshape(shape))
    data = xr.Dataset(
        found,
        coords={"chain": range(d.chains), "draw": range(found["offset"][1].shape[1])},
        attrs={"inference_library": "nutpie", "seed": posterior.seed, "converged": int(d.converged)},
    )
    tree = xr.DataTree.from_dict({"/posterior": data})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "posterior.nc"
        tree.to_netcdf(path, engine="h5netcdf")
        return path.read_bytes()
