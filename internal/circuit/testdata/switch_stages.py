"""Operating points of MOSFET and high-side switch stages, found with scipy.optimize loop by loop.

Reads a JSON list of stages on standard input and writes the load current of each, the current in the level shifter
(high side only) and the worst error of a loop, in volt. Stages:

    nmos    supply - resistor - LEDs - drain; source to ground; gate fed through rb, pulled down by pull
    pmos    source at the supply, drain - resistor - LEDs - ground; gate pulled up by r1 and down by an NPN through r2,
            whose base is fed through rb and pulled down by pull
    pnp     the same with a PNP: emitter at the supply, r1 between its base and emitter

No gate draws current, so that every loop but the PNP's is a bracketing search of its own.
"""
import json
import math
import sys

from scipy.optimize import brentq, root

from operating_points import K, Q, currents, laws


def junction(d, t, i=None, v=None):
    """Current of a junction at v, or voltage of junction and series resistance at i."""
    t0, n = 300.15, d["n"]
    vt = K * t / Q
    sat = d["is"] * (t / t0) ** (d["xti"] / n) * math.exp(-(Q * d["eg"] / (n * K)) * (1 / t - 1 / t0))
    if i is not None:
        return n * vt * math.log1p(max(i / sat, -1 + 1e-15)) + i * d["rs"]
    return sat * math.expm1(min(v / (n * vt), 600))


def channel(m, t):
    """Drain current of the channel with its leakage as a function of vgs and vds behind R0, and R0."""
    t0 = 300.15
    nvt = m["n"] * K * t / Q
    kp, vt = m["kp"] * (t / t0) ** -m["mu"], m["vto"] - m["tcv"] * (t - t0)
    leak = m["idss"] * 2 ** ((t - t0) / 10)

    def soft(u):
        y = (u - vt) / (2 * nvt)
        return y if y > 36 else math.log1p(math.exp(y))

    def current(vgs, vds):
        # The difference of the squares as a product, which keeps its digits.
        a, b = soft(vgs), soft(vgs - vds)
        return 2 * kp * nvt * nvt * (a - b) * (a + b) + leak * (vds / math.sqrt(vds * vds + 0.01) + vds / 20e3)

    return current, m["r0"] * (t / t0) ** m["mu"]


def mosfet(m, t, vgs, vds):
    """Drain current with R0 and body diode at the terminals."""
    law, r0 = channel(m, t)
    top = vds / r0
    i = brentq(lambda i: i - law(vgs, vds - i * r0), 0, top, xtol=1e-19, rtol=8.9e-16) if vds > 0 else 0.0
    b = m["body"]  # in reverse: nothing but its saturation current, whose drop in RS does not count
    return i - junction(b, t, v=-vds)


def load(s, t, device):
    """Current at which supply, resistor, LEDs and the device's voltage agree."""

    def miss(i):
        v = s["vs"] - i * s["r"] - s["leds"] * junction(s["d"], t, i=i)
        return i - (device(v) if v > 0 else 0.0)

    i = brentq(miss, 0, s["vs"] / s["r"], xtol=1e-19, rtol=8.9e-16)
    return i, abs(miss(i)) * s["r"]


def shifter(s, above):
    """NPN with its collector behind r2: above(i) is the potential above r2 while it draws i. Its current and the error."""
    p, q = laws(s), s["q"]

    def state(u):
        ic, ib = currents(p, u[0], u[1])
        ve = (ic + ib) * q["re"]
        vb = ve + u[0] + ib * q["rb"]
        return ic, s["vd"] - vb - (ib + vb / s["pull"]) * s["rb"], ve + u[0] - u[1] + ic * q["rc"]

    def loops(u):
        ic, base, vc = state(u)
        return [base, above(ic) - ic * s["r2"] - vc]

    best = None
    for start in ((0.7, 0.6), (0.7, 0.65), (0.65, 0.5), (0.7, -1.0), (0.7, -5.0), (0.75, 0.72), (0.6, 0.3)):
        a = root(loops, start, method="hybr", options=dict(xtol=1e-15, maxfev=4000))
        miss = max(abs(x) for x in a.fun)
        if best is None or miss < best[0]:
            best = (miss, state(a.x)[0])
        if miss < 1e-12:
            break
    return best[1], best[0]


def solve(s):
    t = s["T"]
    if s["kind"] == "nmos":
        vgs = s["vd"] * s["pull"] / (s["pull"] + s["rb"])
        i, miss = load(s, t, lambda v: mosfet(s["m"], t, vgs, v))
        return dict(i=i, shift=0, miss=miss)
    if s["kind"] == "pmos":
        shift, miss = shifter(s, lambda i: s["vs"] - i * s["r1"])
        i, more = load(s, t, lambda v: mosfet(s["m"], t, shift * s["r1"], v))
        return dict(i=i, shift=shift, miss=max(miss, more))
    # PNP: given what its base sends down, its own loop; the shifter closes over that.
    upper = dict(s, q=s["p"])
    p, q = laws(upper), s["p"]

    def pnp(u):
        ic, ib = currents(p, u[0], u[1])
        ve = (ic + ib) * q["re"]
        return ic, ib, ve + u[0] + ib * q["rb"], ve + u[0] - u[1] + ic * q["rc"]

    n, qn = laws(s), s["q"]

    def loops(x):
        ic2, ib2, veb, vec = pnp(x[2:])
        ic1, ib1 = currents(n, x[0], x[1])
        ve = (ic1 + ib1) * qn["re"]
        vb, vc = ve + x[0] + ib1 * qn["rb"], ve + x[0] - x[1] + ic1 * qn["rc"]
        down = ib2 + veb / s["r1"]
        return [
            s["vd"] - vb - (ib1 + vb / s["pull"]) * s["rb"],
            s["vs"] - veb - down * s["r2"] - vc,
            (ic1 - down) * s["r2"],
            s["vs"] - vec - ic2 * s["r"] - s["leds"] * junction(s["d"], t, i=ic2),
        ]

    best = None
    for start in ((0.7, 0.6, 0.75, 0.7), (0.7, 0.65, 0.7, 0.6), (0.7, -2, 0.7, 0.65), (0.65, 0.6, 0.65, -1), (0.7, 0.6, 0.8, 0.78), (0.7, -5, 0.65, -5), (0.7, 0.3, 0.7, 0.3)):
        a = root(loops, start, method="hybr", options=dict(xtol=1e-15, maxfev=8000))
        miss = max(abs(x) for x in a.fun)
        if best is None or miss < best[0]:
            best = (miss, a.x)
        if miss < 1e-12:
            break
    miss, x = best
    return dict(i=pnp(x[2:])[0], shift=currents(n, x[0], x[1])[0], miss=miss)


if __name__ == "__main__":
    print(json.dumps([solve(s) for s in json.load(sys.stdin)]))
