"""What is solved of each bar already, for sliders to be answered from; the same bar is solved once for all tabs."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Final

from geoflow.web.uploads import Upload

if TYPE_CHECKING:
    from geoflow.bar.equipment import Bar
    from geoflow.decide.vet import Plan
    from geoflow.hydraulics.window import FlowWindow

__all__ = ["Windows"]

_MOST: Final = 12
_Key = tuple[bytes, tuple[int, ...]]


class Windows:
    """Windows by bar file and sections in use; those asked for longest ago go first."""

    def __init__(self) -> None:
        self._known: OrderedDict[_Key, FlowWindow] = OrderedDict()
        self._whole: set[_Key] = set()
        self._lock = threading.Lock()

    def is_whole(self, bar: Upload, sections: tuple[int, ...]) -> bool:
        """Say whether every stop of the sliders is solved.

        Parameters
        ----------
        bar : Upload
            The bar file.
        sections : tuple of int
            In use.
        """
        return (bar.content, sections) in self._whole

    def keep(self, bar: Upload, sections: tuple[int, ...], window: FlowWindow, *, whole: bool = False) -> None:
        """Keep a window, in place of the one before.

        Parameters
        ----------
        bar : Upload
            The bar file.
        sections : tuple of int
            In use.
        window : FlowWindow
            Of them.
        whole : bool
            Whether it has every stop of the sliders.
        """
        key = bar.content, sections
        with self._lock:
            if key in self._whole and not whole and window.temperature.size < self._known[key].temperature.size:
                return  # it was begun before the whole one was there
            self._known[key] = window
            self._known.move_to_end(key)
            if whole:
                self._whole.add(key)
            while len(self._known) > _MOST:
                self._whole.discard(self._known.popitem(last=False)[0])

    def over(self, upload: Upload, bar: Bar, plan: Plan) -> FlowWindow:
        """Return a window with the temperatures of a plan, solving those that are not known.

        Parameters
        ----------
        upload : Upload
            The bar file.
        bar : Bar
            As read from it.
        plan : Plan
            The plan.
        """
        from geoflow.workflow.replan import window_over

        known = self._known.get((upload.content, plan.sections))
        window = window_over(bar, plan, known)
        if window is not known:
            self.keep(upload, plan.sections, window)
        return window
