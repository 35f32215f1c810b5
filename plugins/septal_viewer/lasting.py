"""Keeps Python's None, True and False alive under a Qt binding that gives away references it does not own.

PySide6 6.12.0 was seen to return None from a call such as `QLabel.setText` without taking a reference to it. From
Python 3.12 on that does no harm, since these objects never die (PEP 683); before, the program is ended by the last
reference ("none_dealloc") after some tens of thousands of calls, and with it unsaved work.
"""

from __future__ import annotations

import ctypes
import sys

MORE = 1 << 40


def keep_lasting() -> bool:
    """Give None, True and False as many references as no session can use up; whether they have them now."""
    if sys.version_info >= (3, 12) or sys.implementation.name != "cpython":
        return True
    for one in (None, True, False):
        before = sys.getrefcount(one)
        if before > MORE // 2:
            continue
        count = ctypes.c_ssize_t.from_address(id(one))  # the first field of every object (C API, PyObject)
        if abs(count.value - before) > 100:  # a build of Python that keeps it elsewhere
            return False
        count.value += MORE
    return True
