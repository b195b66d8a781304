"""The demo plant: four presses, eight valves, and what has happened to them by `now_s`.

| valve | story |
|---|---|
| press-1.platen | healthy; its mode channel tells the pressing phase |
| press-1.ejector | eight days ago a heat shield went missing: since then its hot coil cannot take the full current |
| press-2.clamp | ramp up went from 1.6 s to 2.1 s nine days ago at 03:10 |
| press-2.platen | its controller makes its own ramps, 0.8 s over the full span; the driver's are never seen |
| press-3.platen | its pressure has been drifting down by 0.4 bar a day for thirteen days |
| press-3.cushion | dither lost six days ago: hysteresis grew |
| press-4.knock-out | on-board electronics: nobody can read its current |
| press-4.platen | healthy, but nothing tells when the press is enabled, pumping or in automatic |
"""

from __future__ import annotations

from datetime import datetime, time, timedelta

from asleft.sim.calendar import ZONE
from asleft.sim.cycles import CLAMPING_CYCLE, CUSHION_CYCLE, EJECTING_CYCLE
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import ALL_CHANNELS, Sensor, ValveModel

PRESSES = ("press-1", "press-2", "press-3", "press-4")

_MONITOR = "driver's monitor output"


def local_s(now_s: float, days_ago: int, clock: time, *, working: bool = True) -> float:
    """Unix seconds of local `clock`, `days_ago` days before `now_s`; `working`: on the last working day by then."""
    day = datetime.fromtimestamp(now_s, ZONE).date() - timedelta(days=days_ago)
    while working and day.weekday() >= 5:
        day -= timedelta(days=1)
    return datetime.combine(day, clock, ZONE).timestamp()


def valves(now_s: float) -> tuple[ValveModel, ...]:
    """All valves of the plant, in the order of their presses, with the faults their stories need by `now_s`."""
    return (*_press_1(now_s), *_press_2(now_s), *_press_3(now_s), *_press_4())


def _press_1(now_s: float) -> tuple[ValveModel, ...]:
    platen = ValveModel(
        valve_id="press-1.platen",
        press="Press 1",
        name="platen pressure",
        pressing_mode=True,
    )
    ejector = ValveModel(
        valve_id="press-1.ejector",
        press="Press 1",
        name="ejector pressure",
        signal="0-10V",
        cycle=EJECTING_CYCLE,
        current_at_zero_a=0.10,
        current_at_full_a=0.78,
        ramp_up_s=0.6,
        ramp_down_s=0.9,
        dither_frequency_hz=140.0,
        dither_amplitude_a=0.16,
        supply_v=22.4,
        driver_drop_v=1.0,
        coil_resistance_ohm=19.5,
        coil_inductance_h=0.09,
        cable_resistance_ohm=0.6,
        winding_k_per_w=2.0,
        body_k_per_w=3.6,
        ambient_degc=38.0,
        pressure_at_zero_bar=8.0,
        pressure_at_full_bar=120.0,
        relief_bar=150.0,
        pressure_sensor=Sensor(0.0, 250.0, 0.2),
        current_sensor=Sensor(0.0, 1.5, 0.0006, where="sensor in the coil lead"),
        records=(*ALL_CHANNELS, "coil_voltage"),
        faults=(Fault(FaultKind.COIL_HOT, local_s(now_s, 8, time(10, 40)), 34.0, "ramp", 300.0),),
    )
    return platen, ejector


def _press_2(now_s: float) -> tuple[ValveModel, ...]:
    clamp = ValveModel(
        valve_id="press-2.clamp",
        press="Press 2",
        name="clamp pressure",
        cycle=CLAMPING_CYCLE,
        current_at_zero_a=0.22,
        current_at_full_a=1.05,
        ramp_up_s=1.6,
        ramp_down_s=1.1,
        dither_frequency_hz=100.0,
        dither_amplitude_a=0.22,
        coil_resistance_ohm=9.5,
        pressure_at_zero_bar=8.0,
        pressure_at_full_bar=160.0,
        relief_bar=200.0,
        pressure_sensor=Sensor(0.0, 250.0, 0.2),
        faults=(Fault(FaultKind.RAMP_UP, local_s(now_s, 9, time(3, 10), working=False), 0.5),),
    )
    platen = ValveModel(
        valve_id="press-2.platen",
        press="Press 2",
        name="platen pressure",
        controller_ramp_s=0.8,
        current_at_zero_a=0.15,
        current_at_full_a=0.80,
        ramp_up_s=0.3,
        ramp_down_s=0.3,
        dither_frequency_hz=160.0,
        dither_amplitude_a=0.28,
        coil_resistance_ohm=14.0,
        pressure_at_zero_bar=15.0,
        pressure_at_full_bar=240.0,
        relief_bar=290.0,
        current_sensor=Sensor(0.0, 1.5, 0.0006, where=_MONITOR),
    )
    return clamp, platen


def _press_3(now_s: float) -> tuple[ValveModel, ...]:
    platen = ValveModel(
        valve_id="press-3.platen",
        press="Press 3",
        name="platen pressure",
        current_at_zero_a=0.20,
        current_at_full_a=0.95,
        ramp_up_s=1.0,
        ramp_down_s=1.5,
        coil_resistance_ohm=10.5,
        pressure_at_zero_bar=14.0,
        pressure_at_full_bar=210.0,
        faults=(Fault(FaultKind.PRESSURE_DRIFT, local_s(now_s, 13, time(6, 0), working=False), -0.4, "drift"),),
    )
    cushion = ValveModel(
        valve_id="press-3.cushion",
        press="Press 3",
        name="cushion pressure",
        signal="0-5V",
        cycle=CUSHION_CYCLE,
        current_at_zero_a=0.12,
        current_at_full_a=0.70,
        ramp_up_s=0.5,
        ramp_down_s=0.7,
        dither_frequency_hz=90.0,
        dither_amplitude_a=0.18,
        coil_resistance_ohm=16.0,
        coil_inductance_h=0.08,
        pressure_at_zero_bar=6.0,
        pressure_at_full_bar=90.0,
        friction_dry_pct=2.6,
        relief_bar=120.0,
        pressure_sensor=Sensor(0.0, 160.0, 0.12),
        current_sensor=Sensor(0.0, 1.5, 0.0006, where="sensor in the coil lead"),
        faults=(Fault(FaultKind.DITHER_LOST, local_s(now_s, 6, time(14, 20)), 1.0),),
    )
    return platen, cushion


def _press_4() -> tuple[ValveModel, ...]:
    knock_out = ValveModel(
        valve_id="press-4.knock-out",
        press="Press 4",
        name="knock-out pressure",
        signal="0-10V",
        cycle=CUSHION_CYCLE,
        current_at_zero_a=0.10,
        current_at_full_a=0.62,
        ramp_up_s=0.4,
        ramp_down_s=0.6,
        coil_resistance_ohm=18.0,
        pressure_at_zero_bar=10.0,
        pressure_at_full_bar=120.0,
        relief_bar=150.0,
        pressure_sensor=Sensor(0.0, 250.0, 0.2),
        records=("command", "pressure", "supply", "oil_temperature", "enable", "pump_running", "mode"),
    )
    platen = ValveModel(
        valve_id="press-4.platen",
        press="Press 4",
        name="platen pressure",
        command_kept_s=0.2,
        current_at_zero_a=0.19,
        current_at_full_a=0.88,
        ramp_up_s=0.9,
        ramp_down_s=1.4,
        dither_frequency_hz=110.0,
        coil_resistance_ohm=12.0,
        pressure_at_zero_bar=11.0,
        pressure_at_full_bar=195.0,
        records=("command", "current", "pressure", "supply", "oil_temperature"),
    )
    return knock_out, platen
