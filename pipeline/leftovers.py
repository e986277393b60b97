"""What runs that were killed leave behind: whose it is, and whether its process still lives."""

from __future__ import annotations

import os
from typing import Final

_SIGNALS: Final = os.name == "posix"  # elsewhere signal 0 does not ask, it ends programs


def process_has_ended(process: int) -> bool | None:
    """Tell whether a process of this machine has ended; None where that cannot be asked."""
    if not _SIGNALS:
        return None
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False
