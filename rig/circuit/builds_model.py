"""Good builds against the lumped model: residuals and slopes of all their curves, for `rig.circuit.population_fit`.

Unknown are the numbers that all builds share, a smooth factor on each driver's impedance and pressure (Kennedy and
O'Hagan, "Bayesian calibration of computer models", J. R. Stat. Soc. B 63 (2001)), and what each build has of its own.
Every unknown is counted in standard deviations of its prior: the sheet, a tolerance, a width below. With few builds the
prior decides, with many the builds.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TypeAlias

import numpy as np

from rig.circuit.channel import Channel, channel_parts, impedance_ohm
from rig.circuit.factor import Factor, smooth_correlation
from rig.circuit.population import Parameter
from rig.circuit.radiation import Position, driver_pressure_pa
from rig.circuit.spread import OF_SUSPENSION, SUSPENSION, by_suspension, moved, parameters
from rig.circuit.tolerance import CUT_OFF_SIGMA, ONE_BATCH
from rig.circuit.units import Complex, Floats

#: Of what a driver's sheet says, standard deviation of the logarithm: about 20 %, with the coil better known and the
#: losses worse; of an exponent that of its log odds. Common practice, no source.
OF_SHEET = {
    "re_ohm": 0.05,
    "fs_hz": 0.12,
    "vas_m3": 0.20,
    "qms": 0.25,
    "qes": 0.20,
    "le_h": 0.25,
    "le_exponent": 0.5,
    "rolloff_hz": 0.2,
}
#: The same of a box as it was built.
OF_BOX = {"volume_m3": 0.04, "tuning_hz": 0.06, "leakage_q": 0.5}
#: Of a part's tolerance so much is shared by all that came in one bag, and the rest its own (both squared); our
#: choice.
SHARED_OF_TOLERANCE = 0.3
#: An inductance is never without losses, whatever a sheet leaves unsaid; numerical.
MOST_EXPONENT = 0.95
#: What the lumped model leaves out of each driver, standard deviations: of its impedance (nepers and radians), of its
#: pressure in nepers, smooth and the same at all frequencies (a bench's level is in it), and of that one's phase; our
#: choice.
Z_FACTOR, PRESSURE_FACTOR, PRESSURE_LEVEL, PHASE_FACTOR = 0.08, 0.23, 0.12, 0.3
#: What a single build has of its own beyond its parameters: of the impedance smooth and point by point, of a level in
#: dB; common practice, no source. And its level as a whole: two resistors of 1 % set its amplifier's gain, and the
#: microphone is put back to within 5 mm of half a metre.
OWN_Z, POINT_Z, OWN_DB, POINT_DB, OWN_GAIN_DB = 0.007, 0.005, 0.25, 0.25, 0.08
LEAD_OHM = 0.05
#: How far units lie apart in what no tolerance is stated of (the moving mass goes against Vas), standard deviations of
#: the logarithm: common practice, no source.
OWN_BESIDES = {"vas_m3": 0.03, "le_exponent": 0.05, "rolloff_hz": 0.03, "volume_m3": 0.01}
#: Nodes of a factor, and which of its components are followed; numerical.
NODES_PER_OCTAVE, LEAST_POWER, LOWEST_NODE_HZ = 6, 1e-4, 20.0
#: Of the difference quotients, in standard deviations; numerical.
STEP = 1e-3
#: A point that was not measured is this far off at most; numerical.
MOST_NOISE = 1e3
NEPER_DB = float(20 / np.log(10))
#: Driver and field -> standard deviation of what is known of it before any build, where that is less than a sheet says.
Priors: TypeAlias = Mapping[tuple[str, str], float]
NO_PRIORS: Priors = MappingProxyType({})
#: Of one build, whitened: residual, slopes of what is shared, slopes of what is its own.
Linear: TypeAlias = tuple[Floats, Floats, Floats]


@dataclass(frozen=True, eq=False)
class Sight:
    """Where the microphone stood, over which frequencies (shape (n,)) it was heard, and the volts at the leads."""

    position: str
    microphone_m: Position
    frequency_hz: Floats
    lead_v: float


@dataclass(frozen=True, eq=False)
class Build:
    """What was measured of one good build of the channel; an uncertainty of inf where a point was not."""

    ohm: Complex
    #: Relative, of either part.
    ohm_u: Floats
    #: For each sight: level in dB over 20 uPa, and its standard uncertainty.
    levels: tuple[tuple[Floats, Floats], ...]


def shared_parameters(design: Channel, priors: Priors = NO_PRIORS) -> tuple[Parameter, ...]:
    """Every number of a channel that all builds share, with the standard deviation that it has before any build."""

    def found() -> Iterator[Parameter]:
        for driver in design.drivers:
            for field, sigma in OF_SHEET.items():
                if (driver.le_h or not field.startswith("le_")) and np.isfinite(getattr(driver, field)):
                    yield Parameter("driver", driver.name, field, max(sigma, priors.get((driver.name, field), 0.0)))
        for field, sigma in OF_BOX.items():
            is_stated = field != "tuning_hz" or design.box.kind == "vented"
            if design.box.kind != "none" and is_stated and np.isfinite(getattr(design.box, field)):
                yield Parameter("box", "", field, sigma)
        for part in channel_parts(design):
            sigma = max(part.tolerance / CUT_OFF_SIGMA * SHARED_OF_TOLERANCE**0.5, 1e-4)
            yield Parameter("part", part.name, "value", sigma)
            if part.series_ohm:
                yield Parameter("series", part.name, "series_ohm", sigma)

    return tuple(found())


def own_parameters(design: Channel, shared: Sequence[Parameter]) -> tuple[Parameter, ...]:
    """Every number that each build has of its own, with how far builds of one batch lie apart in it."""
    own_share = (1 - SHARED_OF_TOLERANCE) ** 0.5
    narrowed = [
        replace(p, sigma=p.sigma * own_share) if p.owner in ("part", "series") else p
        for p in parameters(design, ONE_BATCH)
    ]
    besides = [replace(p, sigma=OWN_BESIDES[p.field]) for p in shared if p.field in OWN_BESIDES]
    # What the design has none of, such as an inductance of 0, no build has either.
    keys = {(p.owner, p.name, p.field) for p in shared}
    known = (p for p in (*narrowed, *besides) if (p.owner, p.name, p.field) in keys)
    return tuple(by_suspension(p) if p.field == "fs_hz" else p for p in known)


def own_to_shared(own: Sequence[Parameter], shared: Sequence[Parameter]) -> Floats:
    """What one standard deviation of an own parameter does to the shared ones, in theirs, shape (own, shared)."""
    keys = [(p.owner, p.name, p.field) for p in shared]
    found = np.zeros((len(own), len(shared)))
    for row, p in zip(found, own, strict=True):
        for field, power in OF_SUSPENSION.items() if p.field == SUSPENSION else [(p.field, 1.0)]:
            at = keys.index((p.owner, p.name, field))
            row[at] = p.sigma * power / shared[at].sigma
    return found


def with_losses(design: Channel) -> Channel:
    """The channel with no inductance that is without losses."""
    branches = tuple(
        replace(b, driver=replace(b.driver, le_exponent=min(b.driver.le_exponent, MOST_EXPONENT)))
        for b in design.branches
    )
    return replace(design, branches=branches)


class Basis:
    """Components of a smooth Gaussian process on nodes; a coefficient of each is normal with deviation 1."""

    def __init__(self, low_hz: float, high_hz: float, sigma: float, level: float = 0.0) -> None:
        count = max(int(np.ceil(np.log2(high_hz / low_hz) * NODES_PER_OCTAVE)) + 1, 2)
        self.nodes_hz = np.geomspace(low_hz, high_hz, count)
        power, shapes = np.linalg.eigh(sigma**2 * smooth_correlation(self.nodes_hz, self.nodes_hz) + level**2)
        kept = power > LEAST_POWER * power[-1]
        #: Shape (nodes, components).
        self.shapes = shapes[:, kept] * np.sqrt(power[kept])

    def on(self, frequency_hz: Floats) -> Floats:
        """Components at some frequencies, shape (frequencies, components)."""
        at, own = np.log(frequency_hz), np.log(self.nodes_hz)
        return np.stack([np.interp(at, own, shape) for shape in self.shapes.T], axis=1)


@dataclass(frozen=True, eq=False)
class State:
    """All unknowns, in standard deviations of their priors."""

    #: The shared parameters, shape (shared,); the factors' components, shape (components,); each build's own
    #: parameters, lead resistance and level, shape (builds, own + 2).
    shared: Floats
    factors: Floats
    own: Floats

    def plus(self, shared: Floats, own: Floats, share: float) -> "State":
        """A share of a step further; `shared` is of parameters and factors together."""
        p = self.shared.size
        return State(self.shared + share * shared[:p], self.factors + share * shared[p:], self.own + share * own)

    @property
    def squares(self) -> float:
        """Sum of the squares of all: twice the negative logarithm of the prior."""
        return float(sum(np.sum(part**2) for part in (self.shared, self.factors, self.own)))


class BuildsModel:
    """Curves of all builds against the model: residuals, slopes, and the most probable next state."""

    def __init__(
        self,
        design: Channel,
        z_hz: Floats,
        sights: tuple[Sight, ...],
        builds: tuple[Build, ...],
        priors: Priors = NO_PRIORS,
    ) -> None:
        self.design, self.z_hz, self.sights, self.builds = design, z_hz, sights, builds
        self.shared = shared_parameters(design, priors)
        self.own = own_parameters(design, self.shared)
        self.own_to_shared = own_to_shared(self.own, self.shared)
        self.z_basis = Basis(z_hz[0], z_hz[-1], Z_FACTOR)
        self.p_bases = [self._pressure_bases(sight) for sight in sights]
        whiteners = [self._whiteners(build) for build in builds]
        self.roots = [[root for root, _ in of_build] for of_build in whiteners]
        #: Of each build's whitened values the part of the variance that is smooth over frequency.
        self.smooth_share = [np.concatenate([share for _, share in of_build]) for of_build in whiteners]

    @staticmethod
    def _pressure_bases(sight: Sight) -> tuple[Basis, Basis]:
        # Below what was heard a factor goes back to what is the same at all frequencies.
        ends = min(LOWEST_NODE_HZ, float(sight.frequency_hz[0])), float(sight.frequency_hz[-1])
        return Basis(*ends, PRESSURE_FACTOR, PRESSURE_LEVEL), Basis(*ends, PHASE_FACTOR)

    def start(self) -> State:
        """The design itself."""
        drivers = len(self.design.drivers)
        size = 2 * drivers * self.z_basis.shapes.shape[1]
        size += sum(drivers * (re.shapes.shape[1] + im.shapes.shape[1]) for re, im in self.p_bases)
        own = np.zeros((len(self.builds), len(self.own) + 2))
        return State(np.zeros(len(self.shared)), np.zeros(size), own)

    def factors(self, coefficients: Floats) -> tuple[list[Complex], list[list[Complex]]]:
        """Logarithms of the factors on their nodes: of each driver's impedance, of its pressure at each sight."""
        at = 0

        def next_of(re: Basis, im: Basis) -> Complex:
            nonlocal at
            split = at + re.shapes.shape[1]
            end = split + im.shapes.shape[1]
            found = re.shapes @ coefficients[at:split] + 1j * (im.shapes @ coefficients[split:end])
            at = end
            return np.asarray(found)

        drivers = self.design.drivers
        of_z = [next_of(self.z_basis, self.z_basis) for _ in drivers]
        return of_z, [[next_of(*bases) for _ in drivers] for bases in self.p_bases]

    def _channels(self, state: State, aside: Floats) -> Channel:
        """Every build at the state, each row of `aside` (shape (rows, shared)) further, rows of one build together."""
        total = np.tile(state.shared, (len(self.builds), 1))
        total += state.own[:, : len(self.own)] @ self.own_to_shared
        rows = (total[:, np.newaxis] + aside).reshape(-1, total.shape[1])
        return moved(self.design, self.shared, rows)

    def _with_factors(self, channel: Channel, state: State, shift: int = -1) -> tuple[Channel, ...]:
        """The channel with its factors, one for each sight; one driver's impedance shifted by a step of its factor."""
        of_z, of_pressure = self.factors(state.factors)
        found = []
        known = [_factor(self.z_basis, z + (STEP if n == shift else 0.0)) for n, z in enumerate(of_z)]
        for bases, pressure in zip(self.p_bases, of_pressure, strict=True):
            sound_factors = [_factor(bases[0], log) for log in pressure]
            found.append(with_factors(channel, known, sound_factors))
        return tuple(found) or (with_factors(channel, known),)

    def _curves(self, channels: tuple[Channel, ...], units: int) -> tuple[Complex, list[Complex]]:
        """Impedance, shape (units, n), and at each sight the pressure of each driver, shape (drivers, units, n)."""
        ohm = np.broadcast_to(impedance_ohm(channels[0], self.z_hz), (units, self.z_hz.size))
        pressure = [
            np.broadcast_to(found, (found.shape[0], units, found.shape[-1]))
            for found in (
                driver_pressure_pa(channel, sight.frequency_hz, sight.lead_v / 20e-6, sight.microphone_m)
                for channel, sight in zip(channels, self.sights, strict=False)
            )
        ]
        return ohm, pressure

    def _values(self, ohm: Complex, pressure: Sequence[Complex]) -> Floats:
        """Log impedance, real parts before imaginary ones, and levels in dB; shape (units, values)."""
        log = np.log(ohm)
        levels = [NEPER_DB * np.log(np.abs(of_drivers.sum(axis=0))) for of_drivers in pressure]
        return np.concatenate([log.real, log.imag, *levels], axis=1)

    def _whiteners(self, build: Build) -> list[tuple[Floats, Floats]]:
        """Of what a build has of its own, and of noise: of either part of Z, of each level; see `_whitener`."""
        z = _whitener(self.z_hz, OWN_Z, point_variance(POINT_Z, build.ohm_u))
        levels = [
            _whitener(sight.frequency_hz, OWN_DB, point_variance(POINT_DB, u_db))
            for sight, (_, u_db) in zip(self.sights, build.levels, strict=True)
        ]
        return [z, z, *levels]

    def _white(self, n: int, values: Floats) -> Floats:
        """Values of build n, shape (values, ...), over what it may have of its own."""
        at, found = 0, []
        for root in self.roots[n]:
            found.append(root @ values[at : at + len(root)])
            at += len(root)
        return np.concatenate(found)

    def colour(self, n: int, white: Floats) -> Floats:
        """Values of build n before `_white`, shape (values, ...)."""
        at, found = 0, []
        for root in self.roots[n]:
            found.append(np.linalg.solve(root, white[at : at + len(root)]))
            at += len(root)
        return np.concatenate(found)

    def residuals(self, state: State) -> list[Floats]:
        """Of each build: measured less predicted, whitened."""
        channels = self._with_factors(self._channels(state, np.zeros((1, len(self.shared)))), state)
        return self._residuals_of(*self._curves(channels, len(self.builds)), state)

    def _residuals_of(self, ohm: Complex, pressure: Sequence[Complex], state: State) -> list[Floats]:
        with_lead = ohm + LEAD_OHM * state.own[:, -2:-1]
        predicted = self._values(with_lead, pressure)
        predicted[:, 2 * self.z_hz.size :] += OWN_GAIN_DB * state.own[:, -1:]
        found = []
        for n, build in enumerate(self.builds):
            log = np.log(build.ohm)
            measured = np.concatenate([log.real, log.imag, *(level for level, _ in build.levels)])
            off = measured - predicted[n]
            turn = slice(self.z_hz.size, 2 * self.z_hz.size)
            off[turn] = np.angle(np.exp(1j * off[turn]))
            found.append(self._white(n, off))
        return found

    def linear(self, state: State) -> list[Linear]:
        """Of each build, whitened: residual, slopes of what is shared, slopes of what is its own."""
        p, builds = len(self.shared), len(self.builds)
        aside = np.vstack([np.zeros(p), STEP * np.eye(p)])
        channels = self._with_factors(self._channels(state, aside), state)
        ohm, pressure = self._curves(channels, builds * (p + 1))
        lead = np.repeat(LEAD_OHM * state.own[:, -2], p + 1)[:, np.newaxis]
        rows = self._values(ohm + lead, pressure).reshape(builds, p + 1, -1)
        base = self._channels(state, np.zeros((1, p)))
        shifted = [self._curves(self._with_factors(base, state, n), builds) for n in range(len(self.design.drivers))]
        ohm, pressure = ohm[:: p + 1], [of_drivers[:, :: p + 1] for of_drivers in pressure]
        left = self._residuals_of(ohm, pressure, state)
        found = []
        for n in range(builds):
            of_parameters = (rows[n, 1:] - rows[n, 0]).T / STEP
            of_factors = self._factor_slopes(n, ohm, pressure, shifted, state)
            own = [of_parameters @ self.own_to_shared.T, self._lead_and_gain(ohm[n], state.own[n, -2])]
            slopes = np.column_stack([of_parameters, of_factors])
            found.append((left[n], self._white(n, slopes), self._white(n, np.column_stack(own))))
        return found

    def _lead_and_gain(self, ohm: Complex, lead: float) -> Floats:
        by_lead = LEAD_OHM / (ohm + LEAD_OHM * lead)
        levels = sum(sight.frequency_hz.size for sight in self.sights)
        of_lead = np.concatenate([by_lead.real, by_lead.imag, np.zeros(levels)])
        of_gain = np.concatenate([np.zeros(2 * ohm.size), np.full(levels, OWN_GAIN_DB)])
        return np.column_stack([of_lead, of_gain])

    def _factor_slopes(
        self,
        n: int,
        ohm: Complex,
        pressure: Sequence[Complex],
        shifted: Sequence[tuple[Complex, list[Complex]]],
        state: State,
    ) -> Floats:
        """Slopes of build n with respect to the factors' components: a factor acts at its own frequency only."""
        columns = []
        lead = LEAD_OHM * state.own[n, -2]
        totals = [of_drivers[:, n].sum(axis=0) for of_drivers in pressure]
        on_z = self.z_basis.on(self.z_hz)
        for other_ohm, other_pressure in shifted:
            of_z = (np.log((other_ohm[n] + lead) / (ohm[n] + lead)) / STEP)[:, np.newaxis] * on_z
            of_p = [
                (np.log(other[:, n].sum(axis=0) / total) / STEP)[:, np.newaxis] * self.z_basis.on(sight.frequency_hz)
                for other, total, sight in zip(other_pressure, totals, self.sights, strict=True)
            ]
            columns += [_stacked(turn * of_z, [turn * one for one in of_p]) for turn in (1, 1j)]
        for s, (sight, bases) in enumerate(zip(self.sights, self.p_bases, strict=True)):
            for d in range(len(self.design.drivers)):
                share = (pressure[s][d, n] / totals[s])[:, np.newaxis]
                for turn, basis in zip((1, 1j), bases, strict=True):
                    of_p = [np.zeros((other.frequency_hz.size, basis.shapes.shape[1])) + 0j for other in self.sights]
                    of_p[s] = turn * share * basis.on(sight.frequency_hz)
                    columns.append(_stacked(np.zeros((ohm.shape[1], basis.shapes.shape[1])) + 0j, of_p))
        return np.column_stack(columns)


def with_factors(channel: Channel, z: Sequence[Factor], pressure: Sequence[Factor] = ()) -> Channel:
    """The channel with factors on the impedance, and the pressure, of each driver in turn."""
    branches = tuple(
        replace(
            branch,
            driver=replace(
                branch.driver, impedance_factor=z[n], pressure_factor=pressure[n] if len(pressure) else None
            ),
        )
        for n, branch in enumerate(channel.branches)
    )
    return replace(channel, branches=branches)


def _factor(basis: Basis, log: Complex) -> Factor:
    return Factor(basis.nodes_hz, log, np.zeros_like(log))


def _stacked(z: Complex, levels: Sequence[Complex]) -> Floats:
    return np.concatenate([z.real, z.imag, *(NEPER_DB * level.real for level in levels)])


def point_variance(own: float, noise: Floats) -> Floats:
    """Variance from point to point: what a build has of its own, and noise, which is inf where nothing was measured."""
    return np.asarray(np.minimum(np.hypot(own, noise), MOST_NOISE) ** 2)


def _whitener(hertz: Floats, smooth: float, point: Floats) -> tuple[Floats, Floats]:
    """A root of the inverse covariance, shape (n, n), and the part of each whitened value's variance that is smooth."""
    is_smooth = smooth**2 * smooth_correlation(hertz, hertz)
    inverse = np.linalg.inv(np.linalg.cholesky(is_smooth + np.diag(point)))
    share, turn = np.linalg.eigh(inverse @ is_smooth @ inverse.T)
    return np.asarray(turn.T @ inverse), np.clip(share, 0.0, 1.0)
