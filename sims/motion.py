"""Moving the cells through time: exact under a constant current, Runge-Kutta under a varying one.

Constant current: the RC branches, the hysteresis and the cooling are exponentials, charge is a straight line, and the
volts are integrated exactly; only the heating of the resistances inside one step is taken at its middle.
Varying current (constant volts, resistance, power): classical Runge-Kutta of fourth order, cut at the tables' nodes.

Not modelled: see cell.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from sims.cell import SURFACE_SHARE, CellModel, Cells

Powers = tuple[float, ...]
"""Charge flows, A, and powers, W, that a step integrates."""


@dataclass(slots=True)
class Moved:
    """The cells after a step and what passed meanwhile."""

    cells: Cells
    heat_j: float
    lost_j: float
    volt_s: float = 0.0
    """Integral of the cells' volts, V s (constant current only)."""
    passed: Powers = ()
    """Integrals of what the caller asked for (varying current only)."""
    pushed: bool = False
    """A cell was pushed past full or empty and held there."""


def _hysteresis(hyst: float, amps: float, per_s: float, h_s: float) -> tuple[float, float]:
    """State after ``h_s`` at ``per_s`` = gamma |I| / C, and its integral, s."""
    if per_s == 0.0:
        return hyst, hyst * h_s
    sign = 1.0 if amps > 0.0 else -1.0
    after = (hyst + sign) * math.exp(-per_s * h_s) - sign
    return after, (hyst - after) / per_s - sign * h_s


def _branch(v: float, amps: float, ohms: float, tau_s: float, kept: float, h_s: float) -> tuple[float, float, float]:
    """An RC branch after ``h_s``: volts, their integral, V s, and the heat in its resistance, J."""
    aim = amps * ohms
    after = aim + (v - aim) * kept
    volt_s = aim * h_s - tau_s * (after - v)
    return after, volt_s, amps * volt_s - tau_s / (2.0 * ohms) * (after * after - v * v)


def _surface(m: CellModel, z: float, sunk: float, amps: float, coulombs: float, h_s: float) -> float:
    """Sunk surface volts after ``h_s``, ``z`` being the state of charge at the end."""
    most = m.excess(z)
    if amps < 0.0:
        sunk = max(sunk + m.surface_most * amps * h_s / (coulombs * SURFACE_SHARE), 0.0)
    else:
        sunk = most + (sunk - most) * math.exp(-h_s / m.spec.surface_tau_s)
    return min(sunk, most)


def constant_step(m: CellModel, c: Cells, *, amps: float, h_s: float, room_k: float) -> Moved:
    """The cells after ``h_s`` s at a constant ``amps`` through the pack; room temperature in K."""
    spec, scale = m.spec, m.spec.r0_scale
    tau1_s, tau2_s, m_volts = spec.tau1_s, spec.tau2_s, spec.hyst_volts
    kept1, kept2 = math.exp(-h_s / tau1_s), math.exp(-h_s / tau2_s)
    cooled, warming = m.cooling(h_s)
    rows, pushed, volt_s, heat_j, warmed_k = [], False, 0.0, 0.0, 0.0
    coulombic, leaking, gamma, passage = spec.coulombic, spec.self_discharge_per_s, spec.hyst_gamma, spec.ocv.passage
    warms, surface, factor = m.warms, m.surface, m.f
    for z, v1, v2, v3, hyst, t, ocv, watts, f, bled, (coulombs, r0, r1, r2) in zip(
        c.z, c.v1, c.v2, c.v3, c.hyst, c.kelvin, c.ocv, c.watts, c.factor, c.bled, m.each, strict=True
    ):
        i = amps + bled
        stored = i * coulombic if i < 0.0 else i
        z_end = z - (stored / coulombs + leaking) * h_s
        if not 0.0 <= z_end <= 1.0:
            z_end, pushed = min(max(z_end, 0.0), 1.0), True
        if warms:
            f = factor(t + 0.5 * (warming * watts + cooled * (room_k - t)))
        v1, v1_s, heat1 = _branch(v1, i, r1 * f, tau1_s, kept1, h_s)
        v2, v2_s, heat2 = _branch(v2, i, r2 * f, tau2_s, kept2, h_s)
        hyst, hyst_s = _hysteresis(hyst, i, gamma * abs(stored) / coulombs, h_s)
        ocv, ocv_mean = passage(z, ocv, z_end)
        scaled, scaled_mean = (1.0, 1.0) if scale is None else scale.passage(z, scale.value(z), z_end)
        ohm_s = r0 * f * scaled_mean * h_s
        heat = i * i * ohm_s + heat1 + heat2
        kelvin = t + warming * heat / h_s + cooled * (room_k - t)
        sunk = _surface(m, z_end, v3, i, coulombs, h_s) if surface else 0.0
        volt_s += (ocv_mean - 0.5 * (v3 + sunk)) * h_s + m_volts * hyst_s - v1_s - v2_s - i * ohm_s
        heat_j, warmed_k = heat_j + heat, warmed_k + kelvin - t
        if warms:
            f = factor(kelvin)
        ohms = r0 * f * scaled
        emf = ocv + m_volts * hyst - v1 - v2 - sunk - bled * ohms
        rows.append((z_end, v1, v2, sunk, hyst, kelvin, ocv, emf, ohms, f, heat / h_s, bled))
    new = Cells(*map(list, zip(*rows, strict=True)))
    return Moved(new, heat_j, heat_j - m.stored_heat(warmed_k), volt_s, (), pushed)


def _rates(m: CellModel, c: Cells, amps: float, room_k: float) -> tuple[list[float], ...]:
    """Change per second of z, v1, v2, v3, hyst, kelvin, and the heat made, W, of each cell."""
    spec = m.spec
    currents = [amps + b for b in c.bled]
    stored = [i * spec.coulombic if i < 0.0 else i for i in currents]
    dz = [-i / q - spec.self_discharge_per_s for i, q in zip(stored, m.coulombs, strict=True)]
    dz = [0.0 if (z >= 1.0 and d > 0.0) or (z <= 0.0 and d < 0.0) else d for z, d in zip(c.z, dz, strict=True)]
    dv1 = [(i * r * f - v) / spec.tau1_s for i, r, f, v in zip(currents, m.r1, c.factor, c.v1, strict=True)]
    dv2 = [(i * r * f - v) / spec.tau2_s for i, r, f, v in zip(currents, m.r2, c.factor, c.v2, strict=True)]
    dhyst = [
        -spec.hyst_gamma * (abs(i) * h + i) / q for i, h, q in zip(stored, c.hyst, m.coulombs, strict=True)
    ]  # fmt: skip
    heat = m.heat(c, amps)
    if m.warms:
        dt = [
            (w - spec.heat_loss_w_per_k * (t - room_k)) / spec.heat_j_per_k
            for w, t in zip(heat, c.kelvin, strict=True)
        ]  # fmt: skip
    else:
        dt = [0.0] * len(heat)
    if m.surface:
        dv3 = [
            m.surface_most * i / (q * SURFACE_SHARE) if i < 0.0 else (m.excess(z) - v) / spec.surface_tau_s
            for i, z, v, q in zip(currents, c.z, c.v3, m.coulombs, strict=True)
        ]  # fmt: skip
    else:
        dv3 = [0.0] * len(heat)
    return dz, dv1, dv2, dv3, dhyst, dt, heat


def _ahead(m: CellModel, c: Cells, rates: tuple[list[float], ...], h_s: float) -> Cells:
    """The cells moved along ``rates`` for ``h_s``."""
    z, v1, v2, v3, hyst, kelvin = (
        [x + h_s * d for x, d in zip(values, rate, strict=True)]
        for values, rate in zip((c.z, c.v1, c.v2, c.v3, c.hyst, c.kelvin), rates, strict=False)
    )
    if m.surface:
        v3 = [max(min(v, m.excess(x)), 0.0) for v, x in zip(v3, z, strict=True)]
    new = Cells(z, v1, v2, v3, hyst, kelvin, [], [], [], c.factor, rates[6], c.bled)
    m.refresh(new)
    return new


def varying_step(
    m: CellModel, c: Cells, *, flow: Callable[[Cells, float], Powers], h_s: float, room_k: float
) -> Moved:
    """The cells after ``h_s`` s with the current that ``flow`` gives, its first figure, A; all are integrated.

    ``flow`` is asked with the cells and the time since the step began, s.
    """
    flows: list[Powers] = []
    slopes: list[tuple[list[float], ...]] = []
    at = c
    for share in (0.0, 0.5, 0.5, 1.0):
        if share:
            at = _ahead(m, c, slopes[-1], share * h_s)
        flows.append(flow(at, share * h_s))
        slopes.append(_rates(m, at, flows[-1][0], room_k))
    mean = tuple(
        [(a + 2.0 * (b + d) + e) / 6.0 for a, b, d, e in zip(*four, strict=True)] for four in zip(*slopes, strict=True)
    )
    new = _ahead(m, c, mean, h_s)
    moved = Moved(new, h_s * math.fsum(mean[6]), 0.0)
    if any(not 0.0 <= z <= 1.0 for z in new.z):
        new.z = [min(max(z, 0.0), 1.0) for z in new.z]
        moved.pushed = True
    stored = sum(m.stored_heat(b - a) for a, b in zip(c.kelvin, new.kelvin, strict=True))
    moved.lost_j = moved.heat_j - stored
    moved.passed = tuple(h_s * (a + 2.0 * (b + d) + e) / 6.0 for a, b, d, e in zip(*flows, strict=True))
    return moved
