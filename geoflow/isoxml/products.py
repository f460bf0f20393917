"""Whether the product that task data speak of is ammonia: its name says so, or the user does."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from geoflow.base.errors import PrescriptionError
from geoflow.base.other_products import product_rate, product_unit
from geoflow.base.rate_units import RateUnit, rate_unit
from geoflow.base.subject import subject, typed
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    from geoflow.isoxml.task_files import TaskData
    from geoflow.isoxml.xml import Node

__all__ = ["TaskRate", "ammonia_notes", "names_ammonia", "other_product", "product_name"]

# What ammonia is called, and what turns it into another product. From memory, no source.
_AMMONIA: Final = {"ammonia", "nh3", "ammoniak", "ammoniac", "amoniaco", "ammoniaca", "amonia", "anhydrous"}
_OTHER: Final = {
    *("aqua", "aqueous", "water", "hydroxide", "solution", "liquor", "wasser", "loesung", "losung"),
    *("nitrate", "nitrat", "sulfate", "sulphate", "sulfat", "phosphate", "phosphat", "thiosulfate", "thiosulphate"),
    *("urea", "uan", "can", "polyphosphate", "bicarbonate", "chloride", "manure", "slurry", "digestate"),
}
_GRADE: Final = re.compile(r"(?<![\d.])(\d{1,2})\s*-\s*(\d{1,2})\s*-\s*(\d{1,2})(?![\d.])")
_PERCENT: Final = re.compile(r"(\d+(?:[.,]\d+)?)\s*%\s*(\w*)")
_NITROGEN_PERCENT: Final = (81.5, 82.5)  # 82-0-0 as on the label, 82.2 of the pure
_EXAMPLE: Final = '--nitrogen "3.55 lb N/gal" for volumes, --nitrogen 0.28 for masses'
_PURE_PERCENT: Final = 99.0  # commercial grades are 99.5 and more; common practice, no source


def names_ammonia(name: str) -> bool:
    """Whether the name of a product says that it is anhydrous ammonia, and nothing in it says otherwise.

    Parameters
    ----------
    name : str
        As in the file: ``"NH3"``, ``"Anhydrous ammonia 82-0-0"``; ``"Aqua ammonia"`` and ``"CAN 27 % N"`` are not.
    """
    plain = unicodedata.normalize("NFKD", name.casefold()).encode("ascii", "ignore").decode()
    grades = [tuple(map(int, found)) for found in _GRADE.findall(plain)]
    if any(grade != (82, 0, 0) for grade in grades):
        return False
    for number, _ in _PERCENT.findall(plain):
        share = float(number.replace(",", "."))
        if not (_NITROGEN_PERCENT[0] <= share <= _NITROGEN_PERCENT[1] or _PURE_PERCENT <= share <= 100.0):
            return False
    words = set(re.findall(r"[a-z]+\d*", plain))
    return bool(words & _AMMONIA or grades) and not words & _OTHER


@dataclass(frozen=True, slots=True)
class TaskRate:
    """A rate the file gives its zones.

    Attributes
    ----------
    column : str
        Its column; the name ends in the unit, as in ``rate_01B0_kg_n_ha``.
    unit : str
        As geoflow writes rate units.
    ddi : str
        Number in the data dictionary.
    product : str
        What the file calls the product; empty where it does not say.
    low, high : float
        Least and greatest, in `unit`.
    key : tuple of str
        Number in the data dictionary, id of the product and id of the device element, as the rate's PDV state them.
    """

    column: str
    unit: str
    ddi: str
    product: str
    low: float
    high: float
    key: tuple[str, str, str] = ("", "", "")

    @property
    def is_ammonia(self) -> bool:
        """Whether the product's name says so."""
        return names_ammonia(self.product)

    @property
    def shown_unit(self) -> str:
        """The unit, without a substance that the file does not name."""
        return self.unit if self.is_ammonia else self.unit.replace(" NH3", "")


def product_name(data: TaskData, task: Node, reference: str) -> str:
    """Return what the file calls the product of a rate; empty where it names none.

    Parameters
    ----------
    data : TaskData
        The file.
    task : Node
        The task: where a rate refers to no product, those allotted to its task count, then the only one of the file.
    reference : str
        Id of the product a rate refers to; may be empty.
    """
    known = {key: node.text("B") for key, node in data.by_id("PDT").items()}
    allotted = sorted({node.text("A") for node in task.all("PAN")})
    ids = [reference] if reference else allotted or (list(known) if len(known) == 1 else [])
    return ", ".join(filter(None, (known.get(key, "") for key in ids)))


def ammonia_notes(rate: TaskRate, *, take_as_ammonia: bool, where: str) -> list[Note]:
    """Refuse a rate whose product is not known to be ammonia, and say how another product is read where it is.

    Parameters
    ----------
    rate : TaskRate
        The rate chosen.
    take_as_ammonia : bool
        Whether the user says that the product is ammonia.
    where : str
        The file.

    Returns
    -------
    list of Note
        On whose word it is taken as ammonia, where the file does not say it.

    Raises
    ------
    PrescriptionError
        If neither file nor user says that it is ammonia.
    """
    if rate.is_ammonia:
        return []
    if take_as_ammonia:
        said = f"the file calls the product '{rate.product}'" if rate.product else "the file names no product"
        return [Note("unit", f"{said}; it is taken as ammonia because {typed('take-as-ammonia')} says so")]
    other = "" if "nitrogen" in subject().lacks else f"; else say what the product holds: {_EXAMPLE}"
    if rate.product:
        raise PrescriptionError(
            f"the rates are of '{rate.product}', and that does not say that it is anhydrous ammonia",
            where=where,
            cure=f"{'' if other else 'give the map made for ammonia; '}if this is ammonia under another name, "
            f"say {typed('take-as-ammonia')}{other}",
        )
    if "NH3" not in rate.unit:
        return [Note("unit", "the file names no product; its nitrogen is taken to come as ammonia")]
    raise PrescriptionError(
        f"the rates ({rate.ddi}) are of a product the file does not name",
        where=where,
        cure=f"if it is anhydrous ammonia, say {typed('take-as-ammonia')}{other}",
    )


def other_product(rate: TaskRate, nitrogen: str, *, where: str) -> tuple[RateUnit, list[Note]]:
    """Take a rate as one of a product that holds so much nitrogen.

    Parameters
    ----------
    rate : TaskRate
        The rate chosen.
    nitrogen : str
        As said with ``--nitrogen``.
    where : str
        The file.

    Returns
    -------
    RateUnit, list of Note
        What one unit is worth in nitrogen, and on whose word.

    Raises
    ------
    PrescriptionError
        If the file says that it is ammonia.
    QuantityError
        If the content cannot be, or does not fit the unit.
    """
    if rate.is_ammonia:
        what = f"--nitrogen speaks of another product, but the file's is '{rate.product}'"
        raise PrescriptionError(what, where=where, cure="leave --nitrogen out")
    named = f"the file calls the product '{rate.product}'" if rate.product else "the file names no product"
    plain = product_unit(rate.unit.replace(" NH3", ""))
    if plain is None:
        return rate_unit(rate.unit), [Note("unit", f"{named}; its rates count nitrogen, whatever --nitrogen says")]
    return product_rate(plain, nitrogen, where=where), [
        Note("unit", f"{named}; it is taken as another product with {nitrogen.strip()} of nitrogen (--nitrogen)")
    ]
