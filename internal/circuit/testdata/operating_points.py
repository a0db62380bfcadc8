"""Operating points of one-transistor stages, found with scipy.optimize in branch form.

Unknowns are the two junction voltages of the transistor; every current follows from them, and the two
equations are the voltage sums round the base and collector loops (the LED's voltage is its law solved for
the voltage). Reads a JSON list of stages on standard input and writes IC, IB and VCE of each. With the
argument "brent" it instead times nested bracketing on the reference stage and writes seconds per point.
"""
import json
import math
import sys
import time

from scipy.optimize import brentq, root

K, Q = 1.380649e-23, 1.602176634e-19


def laws(s):
    t, t0, vt = s["T"], 300.15, K * s["T"] / Q
    q, d = s["q"], s["d"]
    up = lambda is0, n, xti, eg: is0 * (t / t0) ** (xti / n) * math.exp(-(Q * eg / (n * K)) * (1 / t - 1 / t0))
    b = (t / t0) ** q["xtb"]
    isat = up(q["is"], 1, q["xti"], q["eg"])
    p = dict(vt=vt, isat=isat, bf=q["bf"] * b, br=q["br"] * b, vaf=q["vaf"], ikf=q["ikf"])
    p["ise"] = q["ise"] / b * (isat / q["is"]) ** (1 / q["ne"]) if q["ise"] else 0.0
    p["ne"] = q["ne"]
    p["led"] = up(d["is"], d["n"], d["xti"], d["eg"])
    p["nvt"] = d["n"] * vt
    return p


def currents(p, u1, u2):
    f, r = p["isat"] * math.exp(min(u1 / p["vt"], 200)), p["isat"] * math.exp(min(u2 / p["vt"], 200))
    h = 0.5 * (1 + math.sqrt(1 + 4 * (f - p["isat"]) / p["ikf"])) if p["ikf"] else 1.0
    ibc = (r - p["isat"]) / p["br"]
    ib = (f - p["isat"]) / p["bf"] + ibc
    if p["ise"]:
        ib += p["ise"] * (math.exp(min(u1 / (p["ne"] * p["vt"]), 200)) - 1)
    return (1 - u2 / p["vaf"]) * (f - r) / h - ibc, ib


def solve(s):
    p, q = laws(s), s["q"]
    re = s["re"] + q["re"]

    def loops(u):
        u1, u2 = u
        ic, ib = currents(p, u1, u2)
        ve = (ic + ib) * re
        vb = ve + u1 + ib * q["rb"]
        led = s["leds"] * (p["nvt"] * math.log1p(max(ic / p["led"], -1 + 1e-12)) + ic * s["d"]["rs"])
        base = s["vd"] - vb - (ib + vb / s["pull"]) * s["rb"]
        return [base, s["vs"] - ic * (s["r"] + q["rc"]) - led - (u1 - u2) - ve]

    best = None
    for start in ((0.7, 0.6), (0.7, -0.5 * s["vs"]), (0.75, 0.7), (0.65, 0.0), (0.6, -s["vs"]), (0.8, 0.75), (0.7, 0.5), (0.55, -1.0)):
        a = root(loops, start, method="hybr", options=dict(xtol=1e-14, maxfev=4000))
        miss = max(abs(x) for x in a.fun)
        if best is None or miss < best[0]:
            best = (miss, a.x)
        if miss < 1e-12:
            break
    miss, (u1, u2) = best
    ic, ib = currents(p, u1, u2)
    vce = u1 - u2 + ic * q["rc"] + (ic + ib) * q["re"]
    return dict(ic=ic, ib=ib, vce=vce, miss=miss)


def bracketing(s, times):
    """Base resistor stage without pull-down by two nested Brent searches; seconds for one point."""
    p, q = laws(s), s["q"]

    def outer(u1):
        def inner(u2):
            ic, ib = currents(p, u1, u2)
            led = p["nvt"] * math.log1p(max(ic / p["led"], -1 + 1e-12)) + ic * s["d"]["rs"]
            return s["vs"] - ic * (s["r"] + q["rc"]) - led - (u1 - u2) - (ic + ib) * q["re"]

        u2 = brentq(inner, -s["vs"] - 2, u1, xtol=1e-14, rtol=1e-14)
        ic, ib = currents(p, u1, u2)
        outer.last = ic
        return s["vd"] - u1 - ib * (s["rb"] + q["rb"]) - (ic + ib) * q["re"]

    start = time.perf_counter()
    for _ in range(times):
        brentq(outer, 0.2, 0.95, xtol=1e-14, rtol=1e-14)
    return dict(seconds=(time.perf_counter() - start) / times, ic=outer.last)


if __name__ == "__main__":
    stages = json.load(sys.stdin)
    if sys.argv[1:] == ["brent"]:
        print(json.dumps(bracketing(stages[0], 200)))
    else:
        print(json.dumps([solve(s) for s in stages]))
