"""Published values and laws for gratings, beams and launches, each with its source.

`derived` means: a closed form worked out for this list and confirmed by quadrature to the digits
given, before the package was compared with it.  Citations are from memory where that is said.
"""

from math import e, gamma, pi, sqrt

# First order of an N-level blazed grating, sinc^2(1/N). Goodman and Silvestri, IBM J. Res. Dev. 14,
# 478 (1970); Dammann, Optik 31, 95 (1970) (citation from memory; digits verified).
LEVELS_FIRST_ORDER = {
    2: 0.4052847346,
    3: 0.6839179896,
    4: 0.8105694691,
    8: 0.9496412036,
    16: 0.9872148308,
    256: 0.9999498016,
}

# Binary grating of phase depth 0.9 pi: first order (4/pi^2) sin^2(phi/2), zero order cos^2(phi/2);
# blazed grating of depth 0.9 * 2 pi: first order sinc^2(0.1), zero order sinc^2(0.9).
# Goodman, Introduction to Fourier Optics (citation from memory; digits verified).
BINARY_DEPTH = 0.9 * pi
BINARY_DEPTH_ORDERS = (0.3953667, 0.0244717)
BLAZED_SCALE = 0.9
BLAZED_SCALE_ORDERS = (0.9675312, 0.0119448)

# Linear fill f = 0.9 an axis, 8 levels: first order f^2 sinc^2(f/8) along that axis. Derived;
# cf. Goodman (citation from memory).
FILLED_FIRST_ORDER = 0.7768304

# Pixel envelope sinc^2 at half an order along one axis, and along both. Goodman (from memory).
ENVELOPE_EDGE = 0.4052847346
ENVELOPE_CORNER = 0.1642557161

# Lens: w_f = lambda f / (pi w) for 1.55 um, 4.5 mm, w = 1 mm; power in a circle of R/w radii,
# 1 - exp(-2 R^2/w^2). Kogelnik and Li, Appl. Opt. 5, 1550 (1966) (citation from memory).
FOCAL_WAIST = 2.220211456e-6
POWER_IN_CIRCLE = {1.0: 0.8646647168, 1.5: 0.9888910035, 2.0: 0.9996645374}

# Noll indices 1 to 11 as (n, m), m < 0: sine. Noll, J. Opt. Soc. Am. 66, 207 (1976), table I
# (citation from memory).
NOLL = {
    1: (0, 0),
    2: (1, 1),
    3: (1, -1),
    4: (2, 0),
    5: (2, -2),
    6: (2, 2),
    7: (3, -1),
    8: (3, 1),
    9: (3, -3),
    10: (3, 3),
    11: (4, 0),
}

# Gaussian onto Gaussian. Marcuse, Bell Syst. Tech. J. 56, 703 (1977) (citation from memory; digits
# verified): waist ratio 1.4; waists 1 and 1.4, offset 0.6; waists 1 and 1.4, defocus 4, lambda 1.
MISMATCH_1_4 = 0.8948137327
MISMATCH_1_4_OFFSET_0_6 = 0.7016062389
MISMATCH_1_4_DEFOCUS_4 = 0.7550994056


def gaussian_coupling(w1: float, w2: float, offset: float = 0.0, tilt: float = 0.0) -> float:
    """Marcuse 1977; `tilt` is pi theta / lambda in 1/m, equal wavefronts."""
    square = w1**2 + w2**2
    spread = 2 * (offset**2 + (tilt * w1 * w2) ** 2) / square
    return (2 * w1 * w2 / square) ** 2 * e**-spread


def defocused_coupling(w1: float, w2: float, reach: float) -> float:
    """Marcuse 1977, waists `reach` = lambda z / pi (m^2) apart, both on the axis."""
    return 4 / ((w1 / w2 + w2 / w1) ** 2 + (reach / (w1 * w2)) ** 2)


# On-axis Gaussian of 1.3 times the waist onto LG_p0, p = 0 to 2: (1 - xi) xi^p. Derived; cf. Grau,
# AEU 34, 259 (1980) (citation seen in a look-up).
WAIST_MISMATCH = 1.3
WAIST_MISMATCH_POWERS = (0.9342048894, 0.061466114, 0.0040441698)


def poisson(mean: float, group: int) -> float:
    """Share of a matched Gaussian that group g of a parabola gets at an offset d or a tilt theta.

    mean = d^2/w^2 or (pi w theta/lambda)^2. Saijonmaa et al., Appl. Opt. 19, 2442 (1980); Grau 1980
    (citations seen in a look-up).
    """
    return e**-mean * mean ** (group - 1) / gamma(group)


# A phase mask on a Gaussian beam of waist w0 onto a mode whose waist there is w1, rho = w0/w1. All
# derived, confirmed by quadrature; (matched, largest) powers.
TWO_LOBES = (0.6366197723675814, 64 / (27 * pi))  # sign(x) onto HG10; largest at rho^2 = 2
TWO_LOBES_LARGEST = 0.7545123228060224
FOUR_LOBES = (0.4052847345693511, 0.6839179895857801)  # sign(x y) onto HG11; largest at rho^2 = 3
TWO_LOBES_ELLIPTIC = 0.8269933431326881  # sign(x) onto HG10, beam sqrt(3) w1 by w1
# exp(i l phi) onto LG_0l, l = 1 to 4; largest at rho^2 = l + 1. Cf. Vallone, arXiv:1611.06711.
VORTEX = {
    1: (0.7853981634, 0.9308422677),
    2: (0.5, 0.84375),
    3: (0.2945243113, 0.7720778105),
    4: (0.1666666667, 0.7144490169),
}
# sign(cos l phi) onto LG_0l's cosine, l = 1 to 3: 8/pi^2 of the above.
LOBES = {
    1: (0.6366197724, 0.7545123228),
    2: (0.4052847346, 0.6839179896),
    3: (0.2387324146, 0.625822701),
}
RING_MATCHED = 4 / e**2  # 0/pi flip at r = w1/sqrt(2) onto LG_10, rho = 1
RING_LARGEST_AT = 1.7485741538
RING_LARGEST = 0.8116914846

# Relative error of the two-lobe power on pixels of h for w0 = 40 h, w1 = 28.284 h, within 1 % of
# itself: node on a row of pixel centres, -(h^2/3)(1/w0^2 + 1/w1^2); between, +(h^2/6)(the same).
# Derived.
NODE_ON_CENTRES = -0.000625
NODE_BETWEEN = 0.0003126

# groups: (modes, labels, circular labels, masks at 12 orientations). Enumeration of g + ... + 1.
MASK_COUNTS = {3: (6, 4, 2, 26), 5: (15, 9, 3, 75), 9: (45, 25, 5, 245), 10: (55, 30, 5, 305)}

# An iterative Fourier transform design of its own (256 x 256 pixels, beam 1.43 mode waists, window
# 4 waists, 300 iterations), onto LG01 and HG10: impurity below 1e-4 at an efficiency of 0.3 with
# continuous phase; off the axis, below 1e-3 with 4 levels or more and 5e-3 with two. Computed
# independently; no published digits are known.
IFTA_BEAM = 1.43
IFTA_EFFICIENCY = 0.3
IFTA_IMPURITY = {0: 1e-4, 16: 1e-3, 8: 1e-3, 4: 1e-3, 2: 5e-3}

assert abs(TWO_LOBES[1] - TWO_LOBES_LARGEST) < 1e-15
assert abs(sqrt(1 + NODE_BETWEEN) - 1 - 1 / 12 * (1 / 40**2 + 1 / 28.284**2)) < 1e-6
