"""Files that travel with the package: in an installed wheel inside it, in a checkout at the top of the tree."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from tareline.locks import Order, OrderedLock

_PACKAGE = Path(__file__).resolve().parent
_PREFIX = "tareline_firmware_"
_loading = OrderedLock(Order.FIRMWARE)


def _folder(name: str) -> Path:
    installed = _PACKAGE / name
    folder = installed if installed.is_dir() else _PACKAGE.parents[1] / name
    if not folder.is_dir():
        raise FileNotFoundError(f"{name}: neither in the package ({installed}) nor at the top of a checkout ({folder})")
    return folder


def dashboards_dir() -> Path:
    """The folder of page templates, chart specifications and styles."""
    return _folder("dashboards")


def firmware_dir() -> Path:
    """The folder of the firmware's files."""
    return _folder("firmware")


def load_firmware(name: str) -> ModuleType:
    """The firmware's module of this name, imported under CPython as `tareline_firmware_<name>`, once.

    On a board these modules import each other by plain names ("journal"). The plain names hold only while one of them
    is being imported; afterwards nothing else can meet them. Raises FileNotFoundError for a module that is not there.
    """
    with _loading:
        loaded = sys.modules.get(_PREFIX + name)
        if loaded is not None:
            return loaded
        folder = firmware_dir()
        path = folder / f"{name}.py"
        if not path.is_file():
            raise FileNotFoundError(f"firmware/{name}.py: no such file in {folder}")
        plain = {file.stem for file in folder.glob("*.py")}
        others = {stem: sys.modules.pop(stem) for stem in plain if stem in sys.modules}
        for stem in plain:
            if _PREFIX + stem in sys.modules:
                sys.modules[stem] = sys.modules[_PREFIX + stem]
        sys.path.insert(0, str(folder))
        try:
            spec = importlib.util.spec_from_file_location(_PREFIX + name, path)
            assert spec is not None
            assert spec.loader is not None
            module = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
            sys.modules[_PREFIX + name] = module
            for stem in plain & sys.modules.keys():
                sys.modules.setdefault(_PREFIX + stem, sys.modules[stem])
        finally:
            sys.path.remove(str(folder))
            for stem in plain:
                sys.modules.pop(stem, None)
            sys.modules.update(others)
        return module
