"""Fetches a heavy package when it is used, or says which extra to install.

Examples
--------
>>> need("json", purpose="reading JSON", extra="base").__name__
'json'
"""

from __future__ import annotations

import importlib
from types import ModuleType

from pourdatum.errors import MissingExtra


def need(module: str, *, purpose: str, extra: str) -> ModuleType:
    """Import a module by name, at the place where it is used.

    Parameters
    ----------
    module : str
        Name to import, such as ``"open3d"``.
    purpose : str
        What it is for, in the user's words.
    extra : str
        The extra of this package that brings it.

    Raises
    ------
    MissingExtra
        If it is not installed or does not load; names purpose, package and extra.
    """
    try:
        return importlib.import_module(module)
    except (ImportError, OSError) as reason:
        raise MissingExtra(
            f"{purpose} needs the package {module.split('.')[0]}, which does not load ({reason})",
            hint=f"type: python -m pip install '.[{extra}]' in the project's folder",
        ) from reason
