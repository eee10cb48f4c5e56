"""Published series that check the numerical core, each with its source."""

import numpy as np


def line_design(x):
    x = np.asarray(x, dtype=float)
    return np.column_stack((np.ones_like(x), x))


def digits(computed, certified):
    """Return the number of correct digits (log relative error of NIST StRD)."""
    return -np.log10(max(abs(computed - certified) / abs(certified), 1e-16))


#: NIST StRD, Norris: y and x in turn.
NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5
10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8
339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1
449.2 448.9 0.2 0.5"""

#: NIST/SEMATECH e-Handbook 8.4.2.3: percent change at 200, 500 and 1000 h, by degC.
NIST_DEGRADATION = {
    65: "0.87 1.48 2.81 0.33 0.96 2.13 0.94 2.91 5.67 0.72 1.98 4.28 0.66 0.99 2.14",
    85: "1.41 2.47 5.71 3.61 8.99 17.69 2.13 5.72 11.54 4.36 9.82 19.55 6.91 17.37 34.84",
    105: "24.58 62.02 124.1 9.73 24.07 48.06 4.74 11.53 23.72 23.61 58.21 117.2 10.90 27.85 54.97",
}

#: NIST StRD, as y and x in turn.
MISRA1A = """10.07 77.6 14.73 114.9 17.94 141.1 23.93 190.8 29.61 239.9 35.18 289.0 40.02 332.8
44.82 378.4 50.76 434.8 55.05 477.3 61.01 536.8 66.40 593.1 75.47 689.1 81.78 760.0"""
BOXBOD = "109 1 149 2 149 3 191 5 213 7 224 10"

#: Tobin (1958), Econometrica 26:24-36, as in R survival: durable, age, quant in turn.
TOBIN = """0 57.7 236 .7 50.9 283 0 48.5 207 0 41.7 220 0 47.7 238 0 59.8 216 0 44.3 284 3.7 45.1
221 0 51.7 275 3.0 50.0 269 10.4 46.8 207 0 58.0 249 0 58.9 246 0 40.0 277 1.5 34.1 231 0 39.9 219
0 33.4 240 3.5 48.1 266 6.1 46.6 214 0 53.1 251"""

#: Crystal growth in hours and g, Graybill and Iyer (1994), p. 434.
CRYSTAL_H = np.arange(2.0, 30.0, 2.0)
CRYSTAL_G = [
    0.08,
    1.12,
    4.43,
    4.98,
    4.92,
    7.18,
    5.57,
    8.40,
    8.81,
    10.81,
    11.16,
    10.12,
    13.12,
    15.04,
]
#: Reaction chamber, the same, p. 433.
CHAMBER = [206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16]

MOTORETTES = {
    # hours to failure, + at the end of the test (Nelson and Hahn 1972; R MASS motors).
    150: ([], [8064] * 10),
    170: ([1764, 2772, 3444, 3542, 3780, 4860, 5196], [5448] * 3),
    190: ([408, 408, 1344, 1344, 1440], [1680] * 5),
    220: ([408, 408, 504, 504, 504], [528] * 5),
}


def motorettes(zero=273.2, without=()):
    x, y, bound = [], [], []
    for celsius, (failed, running) in MOTORETTES.items():
        if celsius not in without:
            x += [1000.0 / (celsius + zero)] * (len(failed) + len(running))
            y += [*np.log10(failed), *np.log10(running)]
            bound += [False] * len(failed) + [True] * len(running)
    return line_design(x), np.array(y), np.array(bound)
