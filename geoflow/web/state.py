"""What a tab has open, as numbered states: a bar and a map read together, which never change afterwards.

All that is shown or made is asked for by that number, with a plan and units; what was made is handed over only to a
question that is the same again. Files on their way are no state: what was open before stays as it is.
"""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from geoflow.base.errors import UsageError
from geoflow.options.typed import ReadOptions
from geoflow.web.uploads import Upload

if TYPE_CHECKING:
    from geoflow.decide.vet import Plan
    from geoflow.outcomes import VetOutcome
    from geoflow.web.tasks import KeptMap

__all__ = ["Opened", "Question", "State"]

Question = dict[str, Any]


@dataclass(eq=False)
class Opened:
    """A bar and a prescription that were read together.

    Attributes
    ----------
    number : int
        Of this state; later ones are higher.
    bar : Upload
        The bar file as text.
    files : tuple of Upload
        The prescription's, as sent.
    options : ReadOptions
        How the prescription is read.
    kept : KeptMap
        What was read; it has no plan.
    outcome : VetOutcome or None
        The verdicts for the plan asked for last.
    newest : Plan or None
        The one asked for last.
    solving : Lock
        Held while a plan is solved, so that one asked for twice is solved once.
    """

    number: int
    bar: Upload
    files: tuple[Upload, ...]
    options: ReadOptions
    kept: KeptMap
    outcome: VetOutcome | None = None
    newest: Plan | None = None
    solving: threading.Lock = field(default_factory=threading.Lock)

    @property
    def uploads(self) -> tuple[Upload, ...]:
        """Prescription and bar."""
        return (*self.files, self.bar)

    def vetted(self, plan: Plan) -> VetOutcome:
        """Return the verdicts for a plan, solved in full.

        Parameters
        ----------
        plan : Plan
            What is planned.
        """
        from geoflow.workflow.replan import vet_again, vet_plan

        self.newest = plan
        with self.solving:
            known = self.outcome
            self.outcome = outcome = vet_plan(self.kept.read, plan) if known is None else vet_again(known, plan)
        return outcome

    def vetted_if_newest(self, plan: Plan) -> VetOutcome | None:
        """Return the same, or nothing if another plan was asked for while this one waited.

        Parameters
        ----------
        plan : Plan
            What is planned.
        """
        self.newest = plan
        with self.solving:
            if self.newest != plan:
                return None
        return self.vetted(plan)


class State:
    """All that a tab has open and had made.

    Two are open at most: the one the page last asked about, and one read since that the page may not know of yet.
    """

    def __init__(self) -> None:
        self._opened: dict[int, Opened] = {}
        self._made: dict[str, tuple[str, bytes]] = {}
        self._waiting: tuple[int, tuple[Upload, ...]] = (0, ())
        self._last = self._current = 0
        self._lock = threading.Lock()

    def keep(self, bar: Upload, files: tuple[Upload, ...], options: ReadOptions, kept: KeptMap) -> Opened:
        """Open what was read, beside what the page asks about now.

        Parameters
        ----------
        bar : Upload
            The bar file.
        files : tuple of Upload
            The prescription's.
        options : ReadOptions
            How it is read.
        kept : KeptMap
            What was read.
        """
        with self._lock:
            self._last += 1
            new = Opened(self._last, bar, files, options, kept)
            self._opened = {n: opened for n, opened in self._opened.items() if n == self._current} | {new.number: new}
            self._waiting = 0, ()
            return new

    def wait(self, files: tuple[Upload, ...]) -> int:
        """Keep the files of a prescription that leaves a question, so that the answer need not send them again.

        Parameters
        ----------
        files : tuple of Upload
            As sent.
        """
        with self._lock:
            self._last += 1
            self._waiting = self._last, files
            return self._last

    def waiting(self, number: Any) -> tuple[Upload, ...]:
        """Return the files that wait under a number; none where others have come since.

        Parameters
        ----------
        number : int
            From `wait`.
        """
        return self._waiting[1] if number is not None and number == self._waiting[0] else ()

    def find(self, asked: Question) -> Opened:
        """Return what a question is about, and let go of what was open before it.

        Parameters
        ----------
        asked : dict
            The question.

        Raises
        ------
        UsageError
            If it names nothing that is open.
        """
        number = asked.get("opened")
        with self._lock:
            if number is None:
                raise UsageError(
                    "no prescription is loaded", where="prescription", cure="choose a bar file and a prescription"
                )
            if not isinstance(number, int) or number not in self._opened:
                raise UsageError(
                    "other files were loaded since", where="the files loaded", cure="ask again for what is loaded now"
                )
            self._current = number
            self._opened = {n: opened for n, opened in self._opened.items() if n >= number}
            return self._opened[number]

    def made(self, task: str, asked: Question, archive: bytes) -> None:
        """Keep what a task made, for the very question that asked for it.

        Parameters
        ----------
        task : str
            Key of `tasks.TASKS`.
        asked : dict
            The question.
        archive : bytes
            A zip.
        """
        self._made[task] = _stamp(asked), archive

    def hand_over(self, task: str, asked: Question) -> bytes:
        """Return what a task made for a question.

        Parameters
        ----------
        task : str
            Key of `tasks.TASKS`.
        asked : dict
            The question.

        Raises
        ------
        UsageError
            If there is nothing, or it was made for another question.
        """
        if task not in self._made:
            raise UsageError("there is nothing to download", where="download", cure="make the files first")
        stamp, archive = self._made[task]
        if asked.get("opened") is not None:
            self.find(asked)
        if stamp != _stamp(asked):
            raise UsageError(
                "what was made belongs to another plan, other choices or other files",
                where="download",
                cure="make it again for what is set and loaded now",
            )
        return archive

    @property
    def size(self) -> int:
        """Bytes of the files held."""
        every = [*self._waiting[1], *(upload for opened in self._opened.values() for upload in opened.uploads)]
        held = {id(upload): len(upload.content) for upload in every}
        return sum(held.values()) + sum(len(archive) for _, archive in self._made.values())

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._opened = {}
            self._made = {}
            self._waiting = 0, ()


def _stamp(asked: Question) -> str:
    return json.dumps(asked, sort_keys=True)
