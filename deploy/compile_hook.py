"""While the package is built: windowcast/window/compiled.c to a module, where there is a compiler.

Without one, or with WINDOWCAST_PURE=1, the package is built without, and numpy does the same more
slowly. An installation in place (`pip install -e`) has the module put beside its source; run that
again where the source was changed.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface
from setuptools import Distribution, Extension
from setuptools.command.build_ext import build_ext

MODULE = "windowcast.window.compiled"
SOURCE = "windowcast/window/compiled.c"


class CompileHook(BuildHookInterface[Any]):
    """Adds the compiled module to a wheel, and to a checkout that is installed in place."""

    PLUGIN_NAME = "custom"
    _folder: tempfile.TemporaryDirectory[str] | None = None

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if self.target_name != "wheel":
            return
        if version == "editable":
            for old in Path(self.root, SOURCE).parent.glob(f"{Path(SOURCE).stem}.*"):
                if old.suffix in (".so", ".pyd"):
                    old.unlink()
        if os.environ.get("WINDOWCAST_PURE") == "1":
            return
        built = self._compiled()
        if built is None:
            self.app.display_warning(
                f"{SOURCE} could not be compiled; windowcast works without, and counts many yards"
                " more slowly. A C compiler and Python's headers are what it takes."
            )
            return
        place = f"{MODULE.rpartition('.')[0].replace('.', '/')}/{built.name}"
        if version == "editable":
            (Path(self.root) / place).write_bytes(built.read_bytes())
        else:
            build_data["force_include"][str(built)] = place
        build_data["pure_python"] = False
        build_data["infer_tag"] = True

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        if self._folder is not None:
            self._folder.cleanup()

    def _compiled(self) -> Path | None:
        self._folder = tempfile.TemporaryDirectory(prefix="windowcast-")
        folder = self._folder.name
        # No -march=native: a wheel runs on other machines, and the source looks what it is on.
        faster = [] if os.name == "nt" else ["-O3", "-g0"]
        extension = Extension(
            MODULE, [str(Path(self.root) / SOURCE)], extra_compile_args=faster, optional=True
        )
        command = build_ext(Distribution({"name": "windowcast", "ext_modules": [extension]}))
        command.build_lib, command.build_temp = folder, f"{folder}/objects"
        command.ensure_finalized()
        try:
            command.run()
        except Exception as error:  # noqa: BLE001  whatever ails a compiler, numpy is there
            self.app.display_warning(f"{type(error).__name__}: {error}")
        found = Path(command.get_ext_fullpath(MODULE))
        return found if found.is_file() else None
