"""The bench in a small table, in lab units."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from maskforge import bench as benches
from maskforge.base.wording import counted
from maskforge.bench import Bench
from maskforge.bench.build import phase_wavelength_nm
from maskforge.bench.sections import DesignSection, FiberSection, LightSection, ModulatorSection
from maskforge.launch.couplings import Launch
from maskforge.launch.lit_panel import finest_detail
from maskforge.launch.modulator import BINARY_GREYS
from maskforge.launch.prediction import insertion_loss_db

Row = tuple[str, str]

PROFILES = {
    "step": "step index",
    "power-law": "graded index, power law",
    "trench": "core with a trench around it",
    "table": "measured profile",
}

METHODS = {
    "simple": "simple: the phase of the target, quantised",
    "ifta": "ifta: iterative Fourier transform",
    "dual": "dual: certified, with a bound",
}


def percent(share: float) -> str:
    """ "99.9 %", with as many digits as it takes."""
    return f"{100 * share:.10g} %"


def pair(values: Sequence[float], unit: str) -> str:
    """ "x 0.2, y −0.1 mm"."""
    return f"x {values[0]:g}, y {values[1]:g} {unit}".replace("-", "−")


def bench_rows(bench: Bench, launch: Launch) -> list[tuple[str, list[Row]]]:
    """Parts of the bench with their (name, value) rows; what is at rest or not there is left out.

    Files are named without their folders: the page does not tell where it was made.
    """
    return [
        ("Light", list(_light(bench, bench.light))),
        ("Modulator", list(_modulator(bench, bench.modulator, launch))),
        ("Lens", list(_lens(bench, launch))),
        ("Fibre", list(_fiber(bench, bench.fiber, launch))),
        *([("Device", list(_device(bench, launch)))] if bench.device.matrices else []),
        ("Masks", list(_masks(bench, bench.design, launch))),
    ]


def _light(bench: Bench, part: LightSection) -> Iterator[Row]:
    waves = part.wavelengths_nm
    yield "wavelength", f"{', '.join(f'{wave:g}' for wave in waves)} nm"
    if part.image is not None:
        yield "beam", f"measured: {Path(part.image.path).name}, pixels {part.image_pixel_um:g} µm"
    elif part.waist_mm is not None:
        yield "beam, 1/e² radius", f"{part.waist_mm:g} mm, round"
    else:
        turned = f", first axis at {part.angle_deg:g}°" if part.angle_deg else ""
        yield "beam, 1/e² radii", f"{part.waist_x_mm:g} × {part.waist_y_mm:g} mm{turned}"
    if any(part.offset_mm):
        yield "beam's centre from the mask's", pair(part.offset_mm, "mm")
    yield "on the mask", f"{100 * benches.share_on_mask(bench):.1f} % of the beam"
    if part.curvature_per_m:
        yield "curvature of the wavefront", f"{part.curvature_per_m:g} 1/m"
    if part.zernike:
        terms = ", ".join(f"{index}: {rms:g}" for index, rms in part.zernike)
        yield "wavefront, Noll index: RMS waves", terms
    power = benches.safety(bench)
    if power is not None:
        yield "power", power.text.replace("mm2", "mm²")


def _modulator(bench: Bench, part: ModulatorSection, launch: Launch) -> Iterator[Row]:
    columns, rows = part.pixels
    sides = columns * part.pitch_um * 1e-3, rows * part.pitch_um * 1e-3
    yield "mask", f"{columns} × {rows} pixels, {sides[0]:.4g} × {sides[1]:.4g} mm"
    if part.panel != part.pixels:
        row, column = launch.modulator.corner
        yield "panel", f"{part.panel[0]} × {part.panel[1]} pixels"
        yield "mask's top left pixel", f"column {column}, row {row}"
        if launch.modulator.second is not None:
            yield "second mask's top left", "column {}, row {}".format(*launch.modulator.second)
        yield "around the mask", _background(part)
    yield "pixels", f"pitch {part.pitch_um:g} µm, {percent(part.fill_factor)} active"
    if part.gap_reflectance:
        yield "gaps reflect", percent(part.gap_reflectance)
    yield "alphabet", _alphabet(part, launch)
    measured = phase_wavelength_nm(bench)
    if measured != bench.light.wavelength_nm:
        yield "its phases measured at", f"{measured:g} nm"
    if bench.device.is_polarised:
        first, second = bench.device.amplitudes
        angle = bench.device.second_phase_deg or 0.0
        yield "light of the masks", f"x {percent(abs(first) ** 2)}, y {percent(abs(second) ** 2)}"
        yield "phase of y against x", f"{angle:g}°"
    if part.flatness is not None:
        yield "flatness map", Path(part.flatness.path).name
    if part.incidence_deg:
        yield "angle of incidence", f"{part.incidence_deg:g}° in the x plane"
    if part.crosstalk_px:
        yield "crosstalk", f"phase blurred by {part.crosstalk_px:g} pixels"
    if part.damage_mw_per_mm2 is not None:
        yield "maker's limit", f"{part.damage_mw_per_mm2:g} mW/mm²"


def _background(part: ModulatorSection) -> str:
    if part.background == "checkerboard":
        return f"checkerboard, cells of {counted(part.background_cell_px or 1, 'pixel')}"
    if part.background == "carrier":
        angle = part.background_angle_deg or 0.0
        return f"carrier of {part.background_period_px:g} pixels at {angle:g}°"
    grey = part.background_grey
    return "flat, the first state" if grey is None else f"flat, grey {grey}"


def _alphabet(part: ModulatorSection, launch: Launch) -> str:
    if part.alphabet == "binary":
        first, second = part.greys or BINARY_GREYS
        return f"binary, 0 and {part.phase_step_deg:g}° (greys {first} and {second})"
    if part.alphabet == "levels":
        return f"{part.levels} levels over {part.depth_deg:g}°"
    if part.table is not None:
        states = counted(launch.modulator.alphabet.size, "state")
        return f"table {Path(part.table.path).name}, {states}"
    return "continuous"


def _lens(bench: Bench, launch: Launch) -> Iterator[Row]:
    yield "focal length", f"{bench.lens.focal_length_mm:g} mm"
    if any(bench.lens.offset_mm):
        yield "mask's centre from the axis", pair(bench.lens.offset_mm, "mm")
    field = [f"{launch.scale / pitch * 1e6:.0f}" for pitch in launch.modulator.pitch_seen]
    yield "field on the facet, λf/pitch", f"{field[0]} × {field[1]} µm"
    detail = finest_detail(launch.scale, launch.modulator) * 1e6
    yield "finest detail, λf/width", f"{detail:.3g} µm"


def _fiber(bench: Bench, part: FiberSection, launch: Launch) -> Iterator[Row]:
    guide = benches.fiber(bench)
    exponent = f", α = {part.alpha:g}" if part.alpha is not None else ""
    yield "profile", f"{PROFILES[part.profile]}{exponent}"
    if part.table is not None:
        yield "table", Path(part.table.path).name
    yield "core radius", f"{launch.core_radius * 1e6:.4g} µm"
    if part.trench_inner_um is not None:
        inner, outer = part.trench_inner_um, part.trench_outer_um
        yield "trench", f"{inner:g} to {outer:g} µm, Δn = {part.trench_delta_index:g}"
    yield "NA at the wavelength", f"{guide.na:.4f}"
    yield "V", f"{guide.v:.3f}"
    yield "index, core and cladding", f"{guide.core_index:.6f}, {guide.cladding_index:.6f}"
    groups = len({mode.group for mode in launch.basis})
    first = "the first " if part.groups is not None else ""
    yield "modes counted", f"{len(launch.basis)} in {first}{counted(groups, 'group')}"


def _device(bench: Bench, launch: Launch) -> Iterator[Row]:
    files, waves = bench.device.matrices, bench.light.wavelengths_nm
    for file, wave in zip(files, waves, strict=True):
        at = f" at {wave:g} nm" if len(waves) > 1 else ""
        yield f"measured matrix{at}", Path(file.path).name
    passage = launch.setup.passage
    if passage is None:
        return
    inputs = counted(passage.matrix.shape[1], "mode")
    yield "outputs", f"{len(passage.outputs)}, from {inputs}"
    sizes = passage.singular_values
    yield "channels that pass light", f"{passage.rank}"
    yield "the least lossy one", f"singular value {sizes[0]:.4g}, {loss(sizes[0])} dB"
    last = sizes[passage.rank - 1]
    yield "the lossiest one", f"singular value {last:.4g}, {loss(last)} dB"


def loss(size: float) -> str:
    """What a channel of this singular value loses, in dB."""
    return f"{insertion_loss_db(float(size) ** 2):.2f}".replace("-", "−")


def _masks(bench: Bench, part: DesignSection, launch: Launch) -> Iterator[Row]:
    targets = bench.targets
    family = {
        "lp": "LP modes",
        "lg": "Laguerre-Gauss modes",
        "superposition": "superpositions",
        "output": "outputs of the device",
    }
    turns = targets.orientations or 1
    each = f", {counted(turns, 'orientation')} each" if targets.family == "lp" else ""
    yield "targets", family[targets.family] + each
    yield "method", METHODS[part.method]
    yield "purity asked for", percent(part.purity)
    if any(part.fiber_offset_um):
        x, y = part.fiber_offset_um
        yield "held over fibre offsets", f"x ± {x:g}, y ± {y:g} µm"
    if not part.carrier_period_px:
        yield "carrier", "none: on the axis"
        return
    away = sum(place**2 for place in launch.centre) ** 0.5 * 1e6
    yield "carrier", f"{part.carrier_period_px:g} pixels at {part.carrier_angle_deg:g}°"
    yield "core from the zero order", f"{away:.4g} µm"
