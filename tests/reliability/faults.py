"""Photos that hurt whoever looks at them, in every process of a run.

Python imports ``sitecustomize`` when it starts, so a folder that holds one reaches the workers too. A photo
called ``dies.png`` meets :func:`tests.plugins.faulty_measurements.dies` in place of being examined.
"""

from __future__ import annotations

import os
from pathlib import Path

from tests.conftest import REPOSITORY

_SITE = """
import sys
from importlib import abc
class Hook(abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name != "pipelines.examine":
            return None
        sys.meta_path.remove(self)
        from importlib.util import find_spec
        spec = find_spec(name)
        load = spec.loader.exec_module
        def exec_module(module):
            load(module)
            def examine(photo, **rest):
                from tests.plugins import faulty_measurements as faults
                fault = getattr(faults, photo.file.rpartition("/")[2].partition(".")[0], None)
                if fault is not None:
                    fault()
                return module.PhotoRecord(photo.file, photo.sha256, photo.width, photo.height)
            module.examine = examine
        spec.loader.exec_module = exec_module
        return spec
sys.meta_path.insert(0, Hook())
"""

#: The command, with a deadline of seconds for one photo.
SCRIPT = """
from pipelines import batch, cli
batch.DEADLINE_S = {deadline}
cli.main()
"""


def environment(folder: Path) -> dict[str, str]:
    """Write the trap into a folder and return the environment in which every process falls into it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "sitecustomize.py").write_text(_SITE)
    paths = f"{folder}{os.pathsep}{REPOSITORY}"
    return {**os.environ, "PYTHONPATH": paths, "SOURCE_DATE_EPOCH": "0"}
