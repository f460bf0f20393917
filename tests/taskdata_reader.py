"""Runs another author's reader of task data, the npm package isoxml (JavaScript), on a zip; for tests only.

Install it once outside the repository and name the folder:
    npm install --prefix /some/cache isoxml@1.11.2      GEOFLOW_NODE_MODULES=/some/cache
Without it the tests that need it are skipped with a message; with GEOFLOW_NEED_NODE=1 they fail instead.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).parent / "isoxml_reader" / "read.js"


def run_reader(what: str) -> Any:
    """What the other reader makes of a zip, or with ``--dictionary`` its copy of the data dictionary."""
    home = os.environ.get("GEOFLOW_NODE_MODULES", "")
    missing = None
    if shutil.which("node") is None:
        missing = "Node is not installed"
    elif not (Path(home) / "node_modules" / "isoxml").is_dir():
        missing = "GEOFLOW_NODE_MODULES names no folder in which 'npm install isoxml@1.11.2' was run"
    if missing:
        if os.environ.get("GEOFLOW_NEED_NODE") == "1":
            pytest.fail(missing)
        pytest.skip(f"the independent reader of task data is not there: {missing}")
    result = subprocess.run(
        ["node", str(SCRIPT), home, what], capture_output=True, text=True, check=False, timeout=120, encoding="utf-8"
    )
    assert result.returncode == 0, result.stderr[-2000:]
    return json.loads(result.stdout)
