"""Published values and laws for fibre modes and glass, each with its source.

Digits marked `verified` were computed with an independent method (mpmath zeros and 30-digit roots
unless another is named); citations are from memory where that is said.
"""

from scipy.constants import pi

# LP cut-offs of the step index: LP0m at j_{1,m-1}, LPlm at j_{l-1,m}. Gloge, Appl. Opt. 10, 2252
# (1971); Abramowitz and Stegun, Table 9.5 (citation from memory; digits verified).
STEP_CUTOFFS = {
    "LP11": 2.404825557696,
    "LP21": 3.831705970208,
    "LP02": 3.831705970208,
    "LP31": 5.135622301841,
    "LP12": 5.520078110286,
    "LP41": 6.380161895924,
    "LP22": 7.015586669816,
    "LP03": 7.015586669816,
    "LP51": 7.588342434504,
    "LP32": 8.4172441404,
    "LP13": 8.653727912911,
    "LP61": 8.77148381596,
    "LP42": 9.761023129982,
    "LP71": 9.936109524218,
}

# Step-index b(V) of all labels, characteristic equation of Gloge, Appl. Opt. 10, 2252 (1971)
# (citation from memory; digits verified).
STEP_B = {
    2.405: {"LP01": 0.53126077346571, "LP11": 1.3575326553265e-5},
    4.0: {
        "LP01": 0.77273400932772,
        "LP02": 0.0044594812777635,
        "LP11": 0.44006294742893,
        "LP21": 0.047236941912439,
    },
    6.38: {
        "LP01": 0.89437176800447,
        "LP02": 0.45901388258069,
        "LP11": 0.73388332428036,
        "LP12": 0.15654516390891,
        "LP21": 0.52662967216741,
        "LP31": 0.27891646125419,
    },
    10.0: {
        "LP01": 0.95227877556639,
        "LP02": 0.75033523299119,
        "LP03": 0.39717153275578,
        "LP11": 0.87910528871228,
        "LP12": 0.59918092283981,
        "LP13": 0.18164744934823,
        "LP21": 0.78336463786074,
        "LP22": 0.42746466576503,
        "LP31": 0.66660655520796,
        "LP32": 0.23804004401985,
        "LP41": 0.52995314012279,
        "LP42": 0.036594579238836,
        "LP51": 0.37439001618735,
        "LP61": 0.20094594963704,
        "LP71": 0.010941474397065,
    },
}

# (labels, spatial modes) of the step index; from the cut-offs above (verified).
STEP_COUNTS = {4.0: (4, 6), 6.38: (6, 10), 10.0: (15, 27)}

# d(V b)/dV of the step index, Gloge 1971 (citation from memory; digits verified to 1e-7).
STEP_DVB = {
    (2.405, "LP01"): 1.123959332,
    (4.0, "LP01"): 1.1261076813,
    (4.0, "LP11"): 1.2600849772,
    (4.0, "LP02"): 0.36404091745,
    (6.38, "LP21"): 1.3131970214,
}

# Best-overlap Gaussian radius of step-index LP01 over the core radius (verified to 1e-5), and the
# overlap there (rounded to 1e-6). Marcuse, Bell Syst. Tech. J. 56, 703 (1977) (citation from
# memory), whose formula 0.65 + 1.619 V^-1.5 + 2.879 V^-6 holds within 0.8 % for 1.2 <= V <= 2.8.
MARCUSE_SPOT = {
    1.6: (1.620903, 0.977464),
    2.0: (1.258799, 0.991601),
    2.405: (1.090478, 0.99667),
    2.8: (0.996544, 0.997933),
}

# Petermann-II radius over the core radius of step-index LP01 (verified to 1e-5). Hussey and
# Martinez, Electron. Lett. 21, 1103 (1985) (citation from memory): it is Marcuse's formula
# - 0.016 - 1.567 V^-7 within 0.2 % for 2 <= V <= 2.8.
PETERMANN_SPOT = {2.0: 1.241216, 2.405: 1.080185}

# b of step-index LP01 is about (1.1428 - 0.996/V)^2 for 1.5 <= V <= 2.5. Rudolph and Neumann,
# Nachrichtentech. Z. 29, 328 (1976) (citation from memory). V: formula less exact b, the latter the
# 25-digit root of Gloge's equation by bisection in mpmath. The largest difference on this range is
# 7.7e-4, at V = 2.2; a bound of 4e-4 holds at V = 1.5, 1.9, 2.0, 2.4 and 2.5 but not in between.
RUDOLPH_NEUMANN_DIFFERENCE = {
    1.5: 1.668e-6,
    1.7: 6.898e-4,
    2.0: -3.964e-4,
    2.2: -7.687e-4,
    2.4: -3.336e-4,
    2.5: 2.163e-4,
}

# Core 50 um, NA 0.200 at 1550 nm, germania-doped silica on silica, infinite parabola: Marcuse,
# Light Transmission Optics; Snyder and Love (1983), ch. 14 (citation from memory; digits verified).
PARABOLA_V = 20.2683397006
PARABOLA_WAIST = 7.8531866429e-6
PARABOLA_CORE_INDEX = 1.45780802
PARABOLA_DELTA = 0.00941086
PARABOLA_FIRST_SPLITTING = 5495.352  # beta of group 1 less beta of group 2, 1/m
PARABOLA_BEAT_LENGTH = 1.14496e-3  # 2 pi over sqrt(2 Delta)/a, m
assert abs(2 * pi / 5487.691 - PARABOLA_BEAT_LENGTH) < 1e-8

# groups: (modes, labels, circular labels). From the degeneracy g of group g (enumeration).
GROUP_COUNTS = {3: (6, 4, 2), 5: (15, 9, 3), 9: (45, 25, 5), 10: (55, 30, 5)}

# The same fibre with its cladding: b to 2e-7, computed independently; cf. Gloge and Marcatili, Bell
# Syst. Tech. J. 52, 1563 (1973) (citation from memory). At 850 nm: V, groups, labels, modes.
TRUNCATED_B = {
    "LP01": 0.9013239,
    "LP11": 0.8026479,
    "LP03": 0.5066236,
    "LP05": 0.1149657,
    "LP81": 0.1121009,
    "LP15": 0.0261486,
    "LP91": 0.0137709,
}
TRUNCATED_850 = (36.9599, 18, 90, 171)

# Modes with both polarisations, (alpha, V): exact count (computed independently). The law is
# alpha/(alpha + 2) V^2/2, within 10 % at V = 20 and 3 % at V = 80. Gloge and Marcatili, Bell Syst.
# Tech. J. 52, 1563 (1973) (citation from memory). alpha = None: step.
MODE_COUNTS: dict[tuple[float | None, float], int] = {
    (2.0, 20.0): 110,
    (2.0, 40.0): 420,
    (4.0, 40.0): 534,
}
MODE_COUNTS_V80: dict[tuple[float | None, float], int] = {
    (2.0, 80.0): 1640,
    (10.0, 80.0): 2672,
    (1.0, 80.0): 1070,
    (None, 80.0): 3228,
}

# Best alpha of group delays without profile dispersion: least spread at 2 sqrt(1 - 2 Delta), for
# Delta = 0.01: 1.97989899. Gloge and Marcatili 1973; Olshansky and Keck, Appl. Opt. 15, 483 (1976)
# (citation from memory; digits verified by WKB to 2e-4).
BEST_ALPHA_SPREAD = 1.97989899

# Malitson, J. Opt. Soc. Am. 55, 1205 (1965) (coefficients seen; values verified to the last digit).
SILICA_INDEX = {
    1.55e-6: 1.444023622,
    0.85e-6: 1.452498286,
    1.31e-6: 1.446804318,
    0.6328e-6: 1.45701793,
}
SILICA_GROUP_INDEX = {1.55e-6: 1.462596484, 0.85e-6: 1.465723966}
SILICA_DISPERSION_1550 = 21.9118  # ps/(nm km)
SILICA_ZERO_DISPERSION = 1.27275393e-6

# Fleming, Appl. Opt. 23, 4486 (1984) (GeO2 coefficients seen; mixing rule from memory).
GERMANIA_INDEX_1550 = 1.587102209
DOPED_13_5_INDEX_1550 = 1.464187557
FRACTION_FOR_NA_02 = {1.55e-6: 0.09207143, 0.85e-6: 0.09172232}
