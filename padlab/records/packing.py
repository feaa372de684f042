"""Large tables of a run at rest may become .csv.gz; the readings in them stay the same."""

from __future__ import annotations

import hashlib
import zlib

from padlab.errors import RunError
from padlab.records.descriptor import read_package, run_from, write_package
from padlab.records.inside import read_bytes, refuse_links, write_whole
from padlab.records.recording import raw_resource
from padlab.records.run import Run
from padlab.records.samples import NAMES


def pack(run: Run) -> Run:
    """Pack samples and instrument files of a complete run; the same run gives the same bytes.

    The packed files are whole and named in the descriptor before the plain ones go.

    Raises
    ------
    RunError
        The run is not complete, or a file is no longer what was recorded.
    """
    if run.state != "complete":
        raise RunError(f"run {run.id} is {run.state}", expected="a complete run", seen=run.state,
                       where={"run": run.id})
    package = read_package(run.folder)
    held, resources = package["padlab"], {r["name"]: r for r in package["resources"]}
    plain = []
    for instrument in run.rig.instruments if run.rig else ():
        name = f"{instrument.name}.csv"
        if name not in run.raw_sha256:
            continue                                       # packed already
        data = read_bytes(run.folder, "raw", name)
        if hashlib.sha256(data).hexdigest() != run.raw_sha256[name]:
            raise RunError(f"raw/{name} of run {run.id} is no longer what was recorded",
                           where={"run": run.id})
        packed = _packed(data)
        write_whole(refuse_links(run.folder, "raw", f"{name}.gz"), packed)
        del held["raw_sha256"][name]
        held["raw_sha256"][f"{name}.gz"] = hashlib.sha256(packed).hexdigest()
        resource = raw_resource(instrument, packed=True)
        resources[resource["name"]] = resource
        plain.append(refuse_links(run.folder, "raw", name))
    if (run.folder / NAMES[0]).exists():
        samples = read_bytes(run.folder, NAMES[0])
        said = run.samples_sha256.get(NAMES[0])
        if said is not None and hashlib.sha256(samples).hexdigest() != said:
            raise RunError(f"{NAMES[0]} of run {run.id} was changed since padlab wrote it",
                           remedy=f"padlab remake {run.folder}", where={"run": run.id})
        packed = _packed(samples)
        write_whole(run.folder / NAMES[1], packed)
        held["samples_sha256"] = {NAMES[1]: hashlib.sha256(packed).hexdigest()}
        resources["samples"]["path"] = NAMES[1]
        plain.append(run.folder / NAMES[0])
    package["resources"] = list(resources.values())
    write_package(run.folder, package)
    for path in plain:
        path.unlink()
    return run_from(run.folder, package)


def _packed(data: bytes) -> bytes:
    """The smaller of two ways to write a gzip file without a date: columns of digits repeat in few ways."""
    found = []
    for strategy in (zlib.Z_DEFAULT_STRATEGY, zlib.Z_FILTERED):
        way = zlib.compressobj(9, zlib.DEFLATED, 31, 9, strategy)
        found.append(way.compress(data) + way.flush())
    return min(found, key=len)
