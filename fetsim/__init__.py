"""Component-level simulation of feedback FET compressors: predict, measure, hear and explain a part change.

Public names stand in ``__init__.pyi`` and are loaded when they are first used, so that a command starts without the
rooms it does not need.
"""

import lazy_loader

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
