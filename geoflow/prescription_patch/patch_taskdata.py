"""New rates in task data: in its own XML and its own grid, every other byte as it was."""

from __future__ import annotations

import math
import re
import zipfile
import zlib
from dataclasses import dataclass
from dataclasses import replace as with_
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import IntArray
from geoflow.base.errors import GeoflowError, OutputError
from geoflow.base.subject import called
from geoflow.isoxml.data_dictionary import ENTRIES, Entry
from geoflow.isoxml.deliver import Delivery
from geoflow.isoxml.edit import Edit, edited
from geoflow.isoxml.members import Members, members_of
from geoflow.isoxml.products import TaskRate
from geoflow.isoxml.xml import Node
from geoflow.isoxml.zones import TaskZones, read_taskdata_zones
from geoflow.prescription_patch.patch_cells import Changes

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["patch_task_data", "task_decimals"]

_LARGEST: Final = 2**31 - 1
_COLUMN: Final = re.compile(r"rate_([0-9A-F]{4})_")
_MEANINGS: Final = {"H": "where no zone lies", "I": "where the position is lost", "J": "outside the field"}
_CLOSE: Final = 1e-9


def task_decimals(prescription: Prescription) -> int:
    """Return the decimals that the rate of task data can hold.

    Parameters
    ----------
    prescription : Prescription
        Task data, as read.
    """
    found = _COLUMN.match(prescription.rate_column)
    assert found is not None, "the reader names the columns of task data by their dictionary number"
    steps = ENTRIES[found[1]].steps
    return round(math.log10(steps))


@dataclass(frozen=True, eq=False)
class _Patch:
    """What is to be written into task data.

    Attributes
    ----------
    zones : TaskZones
        As they are.
    rate : TaskRate
        The one that is rewritten.
    changes : Changes
        Rows and their rates.
    stored : ndarray of int, shape (m,)
        The new rates as stored.
    """

    zones: TaskZones
    rate: TaskRate
    changes: Changes
    stored: IntArray

    @property
    def entry(self) -> Entry:
        return ENTRIES[self.rate.ddi]

    def owner(self, row: int) -> Node:
        """The zone a row of the table is."""
        return self.zones.node.all("TZN")[self.zones.ground.owner[row]]

    def value(self, zone: Node) -> tuple[int, Node]:
        """Where among the values of a zone the rate stands, and its element."""
        values = [node for node in zone.walk() if node.tag == "PDV"]
        return next((at, node) for at, node in enumerate(values) if _key(node) == self.rate.key)


def patch_task_data(prescription: Prescription, changes: Changes, to: Delivery) -> tuple[str, ...]:
    """Write task data with new rates and nothing else new, and read them back before they are in place.

    Version, form, other tasks, devices, products and the rates outside the zones stay, byte for byte. A zone called by
    its rate, as geoflow calls those it writes, is called by the new one.

    Parameters
    ----------
    prescription : Prescription
        As read.
    changes : Changes
        The rates to write.
    to : Delivery
        Where they go; its `check` is called last before the files move into place.

    Returns
    -------
    tuple of str
        What a person should know of the files written.

    Raises
    ------
    OutputError
        If a rate cannot be changed without changing more, or the target may not or cannot be written.
    PrescriptionError
        If the task data cannot be opened again.
    """
    zones = read_taskdata_zones(prescription.path, layer=prescription.layer)
    rate = next(rate for rate in zones.rates if rate.column == prescription.rate_column)
    changes.check_before(zones.table[rate.column].to_numpy(dtype=float)[changes.row])
    patch = _Patch(zones, rate, changes, np.rint(changes.after * ENTRIES[rate.ddi].steps).astype(np.int64))
    _refuse_large(patch)
    members = members_of(prescription.path)
    try:
        old = members.read()
    except (OSError, zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as problem:
        raise OutputError(
            f"a file of the task data cannot be copied ({problem})",
            where=called(prescription.path),
            cure="unpack it and give the folder" if members.archive else "copy or export the task data again",
        ) from problem
    new = {
        **old,
        **(_new_grid(patch, members, old) if zones.ground.zone is not None else _new_xml(patch, members, old)),
    }

    def look(staged: Path) -> None:
        difference = _difference(patch, new, members, staged)
        if difference:
            raise OutputError(
                f"nothing was written: the check of the new file failed ({difference})",
                where=called(prescription.path),
                cure="save the prescription anew with a mapping program, and rewrite that; tell us, too",
            )
        if to.check is not None:
            to.check(staged)

    own = with_(to, check=look, protect=(*to.protect, prescription.path, *_sources(members)))
    as_zip = members.archive is not None and own.path.suffix.casefold() == ".zip"
    if as_zip:
        own.put(new, like=members.archive)
    else:
        own.put({members.files[key]: data for key, data in new.items()})
    return tuple(_told(patch, () if as_zip else members.left_out))


def _sources(members: Members) -> list[Path]:
    return [members.archive] if members.archive is not None else [Path(path) for path in members.files]


def _key(node: Node) -> tuple[str, str, str]:
    return node.text("A").upper().zfill(4), node.text("C"), node.text("D")


def _refuse_large(patch: _Patch) -> None:
    large = np.flatnonzero(patch.stored > _LARGEST)
    if large.size:
        raise patch.changes.too_large(int(large[0]), _LARGEST / patch.entry.steps)


def _new_xml(patch: _Patch, members: Members, old: dict[str, bytes]) -> dict[str, bytes]:
    """Files of XML with the new values, by their key."""
    edits: dict[str, list[Edit]] = {}
    for row, stored in zip(patch.changes.row.tolist(), patch.stored.tolist(), strict=True):
        zone = patch.owner(row)
        _refuse_shared(patch, zone)
        _, node = patch.value(zone)
        own = edits.setdefault(node.place, [])
        own.append(Edit(node.begin, "B", str(stored)))
        name = _renamed(patch, zone, node, stored)
        if name is not None:
            own.append(Edit(zone.begin, "B", name))
    return {key: edited(old[key], own) for key, own in ((_key_of(members, place), own) for place, own in edits.items())}


def _key_of(members: Members, place: str) -> str:
    key = members.key_of(place)
    assert key is not None, "a file that was read is one of the members"
    return key


def _refuse_shared(patch: _Patch, zone: Node) -> None:
    """Refuse to change a zone that also holds elsewhere, unless the whole field is that zone."""
    task = patch.zones.node
    shared = [_MEANINGS[key] for key in _MEANINGS if task.text(key) and task.count(key) == zone.count("A")]
    if shared and patch.zones.ground.form != "whole field":
        raise OutputError(
            f"zone {zone.count('A')} is ground of the field and also holds {' and '.join(shared)}; its rate cannot be "
            "changed for one without the other",
            where=zone.where,
            cure="give what holds there a zone of its own in the program the task data came from, or make plain task "
            "data first: geoflow convert RX --out DIR",
        )


def _renamed(patch: _Patch, zone: Node, value: Node, stored: int) -> str | None:
    """New name of a zone that is called by its rate; None where it has another name."""
    steps, unit = patch.entry.steps, patch.entry.unit
    stated = f"{value.number('B') / steps:.2f} {unit}"
    return f"{stored / steps:.2f} {unit}" if zone.text("B") == stated else None


def _new_grid(patch: _Patch, members: Members, old: dict[str, bytes]) -> dict[str, bytes]:
    """The file of a grid of rates with the new values, by its key."""
    zones, grid = patch.zones, patch.zones.node.all("GRD")[0]
    others = [
        task.text("A")
        for task in zones.data.root.all("TSK")
        if task is not zones.node and any(each.text("G") == grid.text("G") for each in task.all("GRD"))
    ]
    if others:
        raise OutputError(
            f"{grid.text('G')} also holds the rates of task {', '.join(others)}, which would change with it",
            where=grid.where,
            cure="export the tasks each for itself, or make plain task data first: geoflow convert RX --out DIR",
        )
    name = _key_of(members, f"{grid.text('G')}.BIN")
    ground = zones.ground.zone
    assert ground is not None
    variables = sum(node.tag == "PDV" for node in patch.owner(0).walk())
    at, _ = patch.value(patch.owner(0))
    size = ground.size * variables
    cells = np.frombuffer(old[name], dtype="<i4", count=size).reshape(*ground.shape, variables).copy()
    after = np.full(len(zones.table), -1, dtype=np.int64)
    after[patch.changes.row] = patch.stored
    wanted = np.where(ground < 0, -1, after[ground])
    cells[:, :, at] = np.where(wanted < 0, cells[:, :, at], wanted)
    return {name: cells.tobytes() + old[name][4 * size :]}


def _difference(patch: _Patch, new: dict[str, bytes], members: Members, staged: Path) -> str:
    """What differs from the task data as read beside the rates that were to change; empty where nothing does."""
    try:
        again = read_taskdata_zones(staged, layer=patch.zones.node.text("A"))
        held = {members.files[key]: data for key, data in new.items()}
        if staged.is_dir():
            written = {entry.name: entry.read_bytes() for entry in staged.iterdir()}
        else:
            found = members_of(staged)
            written = {found.files[key]: data for key, data in found.read().items()}
    except (GeoflowError, OSError, zipfile.BadZipFile) as problem:
        return f"it cannot be read back: {getattr(problem, 'what', problem)}"
    if written != held:
        return "files differ"
    return _other_elements(patch, again) or _other_rates(patch, again)


def _other_elements(patch: _Patch, again: TaskZones) -> str:
    """Compare the two trees of elements: only rates of the task, and names that state them, may differ."""
    rated = {id(node) for zone in patch.zones.node.all("TZN") for node in zone.walk()}
    for one, other in zip(patch.zones.data.root.walk(), again.data.root.walk(), strict=True):
        same = dict(one.attributes), dict(other.attributes)
        if id(one) in rated and ((one.tag == "PDV" and _key(one) == patch.rate.key) or one.tag == "TZN"):
            for each in same:
                each.pop("B", None)
        if one.tag != other.tag or same[0] != same[1]:
            return f"{one.where} differs"
    return ""


def _other_rates(patch: _Patch, again: TaskZones) -> str:
    """Compare the rates on the ground with those that were to be."""
    import shapely

    def on_ground(zones: TaskZones, rates: Any) -> float:
        return float(np.nansum(rates * shapely.area(zones.table.geometry.to_numpy())))

    wanted = patch.zones.table[patch.rate.column].to_numpy(dtype=float).copy()
    wanted[patch.changes.row] = patch.stored / patch.entry.steps
    sums = on_ground(patch.zones, wanted), on_ground(again, again.table[patch.rate.column].to_numpy(dtype=float))
    if not math.isclose(*sums, rel_tol=_CLOSE, abs_tol=_CLOSE):
        return "the new rates are read back as others"
    return ""


def _told(patch: _Patch, left_out: tuple[str, ...]) -> list[str]:
    told = []
    others = [rate.column for rate in patch.zones.rates if rate.column != patch.rate.column]
    if others:
        told.append(f"the zones also carry {', '.join(others)}, which stay as they were")
    if patch.zones.ground.form == "whole field":
        told.append("the rate of the whole field is also the one the file falls back on, which changes with it")
    if left_out:
        listed = ", ".join(left_out[:5]) + (f" and {len(left_out) - 5} more" if len(left_out) > 5 else "")
        told.append(f"what lies beside the task data is not copied: {listed}")
    return told
