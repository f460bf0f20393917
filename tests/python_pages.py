"""Pages whose Python runs as it stands: block after block, in a folder with the sample fields."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
PAGES = ("api", "notebook")


def blocks(page: str) -> list[str]:
    text = (ROOT / "docs" / f"{page}.md").read_text(encoding="utf-8")
    return re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)


def run_page(page: str, folder: Path) -> dict[str, Any]:
    """Run a page in a folder and return its names."""
    (folder / "sample_fields").symlink_to(ROOT / "sample_fields")
    names: dict[str, Any] = {}
    with contextlib.chdir(folder), contextlib.redirect_stdout(io.StringIO()):
        for number, block in enumerate(blocks(page), 1):
            exec(compile(block, f"docs/{page}.md, block {number}", "exec"), names)
    return names


def make_pictures() -> None:
    """Draw the pictures of the walk-through anew."""
    import tempfile

    home = ROOT / "docs" / "pictures"
    with tempfile.TemporaryDirectory() as folder:
        run_page("notebook", Path(folder))
        home.mkdir(exist_ok=True)
        for picture in (Path(folder) / "pictures").iterdir():
            (home / picture.name).write_bytes(picture.read_bytes())
