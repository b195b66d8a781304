"""The faults of a sheet or of a log map: those of any settings file."""

from __future__ import annotations

from asleft.wire.settings_faults import Fault as Fault
from asleft.wire.settings_faults import SettingsError

SheetError = SettingsError
