"""One function per check, one module per subject; importing this package registers the checks of every module in it."""

from importlib import import_module
from pkgutil import iter_modules

for _module in iter_modules(__path__):
    import_module(f"{__name__}.{_module.name}")
