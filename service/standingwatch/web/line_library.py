"""The script that draws charts in the browser: Vega, Vega-Lite and Vega-Embed of vl-convert's offline bundle.

Nothing is loaded from another host: the bundle comes with the installed package. Vega makes functions of its
expressions by `eval` unless it is told to interpret them, and our pages forbid `eval`; Vega-Embed has the
interpreter in it (`ast: true`), so the bundle runs under `script-src 'self'`. Measured with Chromium on 2
cores: bundle 898 kB, 305 kB packed; a line of 2,000 points drawn in 0.23 s. Drawing on the server instead
takes a process of its own, since that renderer can end its process, and 1 to 2 s a chart
(`notify/chart_drawing.py`).

The bundle is made once in a process of its own, when the first page asks for it: 1 to 2 s, and 100 MB that
the service does not keep then.
"""

from __future__ import annotations

import gzip
import logging
import threading
from importlib.metadata import version

from standingwatch.child import ChildError, output_of

log = logging.getLogger(__name__)

#: What the bundle offers to our scripts; part of its tag, so that a change of either is a new address.
SNIPPET = "window.vegaEmbed = vegaEmbed;"

MAKE = "import sys, vl_convert; sys.stdout.write(vl_convert.javascript_bundle(sys.argv[1]))"

#: How long making it may take [s].
MAKE_WITHIN_S = 60.0


class LibraryError(Exception):
    """The bundle could not be made; the text says why."""


class ChartLibrary:
    """The bundle, made when it is first asked for and kept from then on. Safe to share between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._packed: bytes | None = None

    @property
    def tag(self) -> str:
        """Another one whenever the bundle is."""
        return f"{version('vl-convert-python')}-1"

    def packed(self) -> bytes:
        """The script, packed by gzip, which every browser takes.

        Raises:
            LibraryError: if it could not be made.
        """
        with self._lock:
            if self._packed is None:
                self._packed = gzip.compress(_make(), 6)
                log.info("charts: the library was made, %d kB", len(self._packed) // 1000)
            return self._packed


def _make() -> bytes:
    try:
        made = output_of("-c", MAKE, SNIPPET, within_s=MAKE_WITHIN_S)
    except ChildError as error:
        raise LibraryError(f"the library of charts could not be made: {error}") from error
    if not made:
        raise LibraryError("the library of charts could not be made: nothing came")
    return made


#: One for the process: applications share it.
LIBRARY = ChartLibrary()
