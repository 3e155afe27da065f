"""Pulse parameters of a trace by numpy and scipy, written without a look at the Go code.

Reads little-endian float64 samples from the file named first; the step in seconds is the second argument.
"""
import json
import sys

import numpy
from scipy import interpolate, optimize

samples = numpy.fromfile(sys.argv[1], "<f8")
step = float(sys.argv[2])
middle = (samples.min() + samples.max()) / 2


def state(part):
    counts, edges = numpy.histogram(part, 200)
    k = counts.argmax()
    centre, width = (edges[k] + edges[k + 1]) / 2, edges[1] - edges[0]
    return part[abs(part - centre) <= 2 * width].mean()


low, high = state(samples[samples < middle]), state(samples[samples > middle])
index = numpy.arange(len(samples), dtype=float)
curve = interpolate.interp1d(index, samples)


def instants(percent):
    level = low + percent / 100 * (high - low)
    found = []
    for i in numpy.nonzero(numpy.diff(samples > level))[0]:
        at = optimize.brentq(lambda x: float(curve(x)) - level, i, i + 1) * step
        found.append((at, samples[i] <= level))
    rises = numpy.array([at for at, rising in found if rising])
    falls = numpy.array([at for at, rising in found if not rising])
    return rises, falls


rise10, fall10 = instants(10)
rise50, fall50 = instants(50)
rise90, fall90 = instants(90)
n = min(len(rise10), len(rise90))
m = min(len(fall10), len(fall90))
first = fall50[fall50 > rise50[0]]
whole = min(len(first), len(rise50))
period = numpy.diff(rise50)
print(json.dumps({
    "low": low, "high": high, "amplitude": high - low,
    "rise": float((rise90[:n] - rise10[:n]).mean()), "fall": float((fall10[:m] - fall90[:m]).mean()),
    "width": float((first[:whole] - rise50[:whole]).mean()), "period": float(period.mean()),
    "frequency": float(1 / period.mean()),
}))
