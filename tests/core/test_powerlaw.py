"""Power-law noises: levels against the defining integrals, simulation against allantools."""

from __future__ import annotations

import copy
import itertools
import json
import math
import pickle

import allantools
import numpy as np
import pytest
from scipy import fft, integrate

from evenbeat.errors import InputError
from evenbeat.powerlaw import (
    NoiseLevels,
    _second_difference_covariance,
    phase_covariance,
    simulate_clock,
    white_pm_deviation,
)

FIELDS = {2: "white_pm", 1: "flicker_pm", 0: "white_fm", -1: "flicker_fm", -2: "random_walk_fm"}
NAMES = {"allan": "oadev", "modified": "mdev", "time": "tdev", "hadamard": "ohdev"}


def only(exponent: int, level: float = 1.0) -> NoiseLevels:
    """Return one noise alone."""
    return NoiseLevels(**{FIELDS[exponent]: level})


def transfer(kind: str, u: float) -> float:
    """Return |H|² at u = π f τ: two-sample, three-sample and (long-averaging limit) modified variance.

    Source: NIST SP 1065 (2008) and IEEE Std 1139, variance as the integral of S_y |H|²; the three-sample one
    follows from its definition, one sixth of the mean square of second differences of frequency.
    """
    sine = math.sin(u)
    if kind == "allan":
        return 2 * sine**4 / u**2
    return 8 / 3 * sine**6 / u**2 if kind == "hadamard" else 2 * sine**6 / u**4


def integrated_variance(kind: str, exponent: int, cutoff: float) -> float:
    """Return the variance of unit noise at τ = 1 by numerical integration over u = π f."""

    def density(u: float) -> float:
        return transfer(kind, u) * (u / math.pi) ** exponent / math.pi

    edges = np.arange(0.0, math.pi * cutoff + 1e-9, math.pi)
    return sum(integrate.quad(density, max(a, 1e-12), b)[0] for a, b in itertools.pairwise(edges))


@pytest.mark.parametrize("kind", ["allan", "hadamard", "modified"])
@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
def test_deviation_is_the_integral_of_the_transfer_function(kind: str, exponent: int) -> None:
    """Every coefficient of the conversion table agrees with its defining integral to a part in a thousand."""
    cutoff = 2000.0
    expected = integrated_variance(kind, exponent, cutoff)

    deviation = only(exponent).deviation(1.0, kind, cutoff_hz=cutoff)

    assert deviation**2 == pytest.approx(expected, rel=1e-3, abs=0)


def averaged_variance(exponent: int, samples: int, cutoff: float) -> float:
    """Return the modified variance of unit noise of phase every second, by integration up to the cut-off.

    Source: IEEE Std 1139 and NIST SP 1065 (2008), ``2/(n⁴ π² τ₀²) ∫ S_y sin⁶(π n τ₀ f)/(f sin(π τ₀ f))² df``.
    """

    def density(f: np.ndarray) -> np.ndarray:
        slow, fast = np.sin(np.pi * samples * f), np.sin(np.pi * f)
        return 2 * f ** (exponent - 2.0) * slow**6 / (samples**4 * np.pi**2 * fast**2)

    edges = np.append(np.arange(0.0, cutoff, 0.5 / samples), cutoff)
    nodes, weights = np.polynomial.legendre.leggauss(24)
    half = 0.5 * np.diff(edges)[:, np.newaxis]
    return float(np.sum(half * weights * density(edges[:-1, np.newaxis] + half * (1 + nodes))))


@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
@pytest.mark.parametrize(
    ("samples", "cutoff"), [(1, 0.5), (2, 0.5), (10, 0.5), (10, 7.3), (3, 40.0), (10, 1e4 / 6.28)]
)
def test_averages_of_sampled_phase_have_the_bandwidth_that_was_stated(
    exponent: int, samples: int, cutoff: float
) -> None:
    """Modified and time deviation of few samples, and of a cut-off far above half the sampling rate."""
    # noise of frequency is not cut off: of white FM 4e-4 lie above 400 Hz, of the others below 1e-6
    expected = averaged_variance(exponent, samples, cutoff if exponent > 0 else 400.0)

    tau = float(samples)
    modified = only(exponent).deviation(tau, "modified", cutoff_hz=cutoff, interval_s=1.0)

    assert modified**2 == pytest.approx(expected, rel=5e-4 if exponent == 0 else 1e-5)
    time = only(exponent).deviation(tau, "time", cutoff_hz=cutoff, interval_s=1.0)
    assert time == pytest.approx(modified * tau / math.sqrt(3), rel=1e-12)


def test_modified_over_allan_of_flicker_pm_depends_on_the_bandwidth() -> None:
    """At ω_h τ₀ = 1e4 and n = 10 the ratio of variances is 0.163; infinitely many samples have 0.095."""
    # SOURCE: quadrature of the definition (the test above)
    cutoff = 1e4 / (2 * math.pi)
    allan, modified = (
        float(only(1).deviation(10.0, kind, cutoff_hz=cutoff, interval_s=1.0))
        for kind in ("allan", "modified")
    )

    assert (modified / allan) ** 2 == pytest.approx(0.163, abs=5e-4)


def test_long_averages_go_on_smoothly() -> None:
    """Beyond the averages that are summed, and between whole numbers of samples, there is no step."""
    levels = NoiseLevels(white_pm=1.0, flicker_pm=1.0, white_fm=1e-3, flicker_fm=1e-5, random_walk_fm=1e-9)
    for cutoff in (0.5, 20.0):
        tau = np.array([1000.0, 1023.5, 1024.0, 1024.5, 1025.0, 1500.0])
        found = levels.deviation(tau, "modified", cutoff_hz=cutoff, interval_s=1.0)
        slopes = np.diff(np.log(found)) / np.diff(np.log(tau))
        assert np.ptp(slopes) < 0.03
        assert only(1).deviation(1e7, "modified", cutoff_hz=cutoff, interval_s=1.0) == pytest.approx(
            only(1).deviation(1e7, "modified", cutoff_hz=5e3 * cutoff), rel=1e-3
        )


def test_no_average_is_shorter_than_the_interval() -> None:
    """The sentence names the shortest averaging time there is."""
    with pytest.raises(
        InputError, match=r"averaging_time_s has 0\.5 s; the modified deviation of phase every 1 s"
    ):
        only(0).deviation([0.5, 2.0], "modified", cutoff_hz=0.5)
    with pytest.raises(InputError, match="interval_s is -1"):
        only(0).deviation(2.0, "modified", interval_s=-1.0)


def test_levels_of_the_handbook() -> None:
    """NIST SP 1065: σ² is h₀/2τ, 2 ln 2 h₋₁ and (2π²/3) h₋₂ τ; TDEV is τ/√3 times the modified deviation."""
    tau = np.array([1.0, 10.0, 1e5])
    levels = NoiseLevels(white_fm=2e-22, flicker_fm=3e-26, random_walk_fm=4e-32)

    variance = 2e-22 / (2 * tau) + 2 * math.log(2) * 3e-26 + 2 * math.pi**2 / 3 * 4e-32 * tau

    np.testing.assert_allclose(levels.deviation(tau), np.sqrt(variance), rtol=1e-13)
    np.testing.assert_allclose(
        levels.deviation(tau, "time"), levels.deviation(tau, "modified") * tau / math.sqrt(3), rtol=1e-13
    )


def test_deviation_of_phase_noise_needs_a_cutoff() -> None:
    """Without a bandwidth it is infinite, so it is refused; noises of frequency need none."""
    with pytest.raises(InputError, match="cutoff_hz is not given"):
        only(2).deviation(1.0)
    with pytest.raises(InputError, match=r"cutoff_hz is 0\.0; it must be a positive number"):
        only(2).deviation(1.0, cutoff_hz=0.0)
    assert only(0).deviation(2.0) == pytest.approx(0.5, rel=1e-12, abs=0)


def test_levels_from_deviations_give_them_back() -> None:
    """Read backwards, the table of conversions gives every stated deviation again, alone and together."""
    stated = {"white_pm": 1e-11, "flicker_pm": 2e-11, "white_fm": 3e-11, "flicker_fm": 4e-12}
    stated["random_walk_fm"] = 5e-12
    for name, deviation in stated.items():
        levels = NoiseLevels.from_allan_deviations(10.0, cutoff_hz=0.5, **{name: deviation})
        assert levels.deviation(10.0, cutoff_hz=0.5) == pytest.approx(deviation, rel=1e-13)
        assert sum(level > 0 for level in levels.by_exponent.values()) == 1
    together = NoiseLevels.from_allan_deviations(10.0, cutoff_hz=0.5, **stated).deviation(10.0, cutoff_hz=0.5)
    assert together**2 == pytest.approx(sum(deviation**2 for deviation in stated.values()), rel=1e-13)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"averaging_time_s": 0.0, "white_fm": 1e-11}, "averaging_time_s"),
        ({"averaging_time_s": 1.0, "white_fm": -1e-11}, "white FM is -1e-11"),
        ({"averaging_time_s": 1.0, "white_pm": 1e-11}, "cutoff_hz is not given"),
    ],
)
def test_levels_from_impossible_deviations_are_refused(settings: dict[str, float], words: str) -> None:
    """The sentence names the argument."""
    with pytest.raises(InputError, match=words):
        NoiseLevels.from_allan_deviations(**settings)


def test_unknown_deviation_is_refused() -> None:
    """The kinds are named."""
    with pytest.raises(
        InputError, match="kind is 'sigma'; it must be 'allan', 'modified', 'time' or 'hadamard'"
    ):
        only(0).deviation(1.0, "sigma")


@pytest.mark.parametrize("level", [-1e-30, math.nan])
def test_level_must_not_be_negative(level: float) -> None:
    """The noise with the wrong level is named."""
    with pytest.raises(InputError, match="the level of flicker FM is"):
        NoiseLevels(flicker_fm=level)


def test_levels_cannot_be_changed_and_travel() -> None:
    """Upper limits are read-only, also after pickling or copying; the dictionary is ready for JSON."""
    levels = NoiseLevels(white_fm=1e-22, upper_limits={-2: 1e-33})

    for again in (levels, pickle.loads(pickle.dumps(levels)), copy.deepcopy(levels)):
        assert again == levels
        with pytest.raises(TypeError, match="does not support item assignment"):
            again.upper_limits[-2] = 0.0
    assert json.loads(json.dumps(levels.to_dict()))["upper_limits_95"] == {"-2": 1e-33}


class TestGeneralizedCovariance:
    """K(t) of phase, for combinations blind to constants and lines."""

    @pytest.mark.parametrize(
        ("exponent", "variance"),
        [
            (0, lambda tau: 1 / (2 * tau)),
            (-1, lambda tau: 2 * math.log(2)),
            (-2, lambda tau: 2 * math.pi**2 / 3 * tau),
        ],
    )
    @pytest.mark.parametrize("tau", [1e-3, 1.0, 86400.0])
    def test_second_difference_gives_back_the_allan_variance(
        self, exponent: int, variance: object, tau: float
    ) -> None:
        """AVAR = Var(x₂ - 2x₁ + x₀)/2τ² (NIST SP 1065), from K alone."""
        weights = np.array([1.0, -2.0, 1.0])
        times = tau * np.arange(3)
        covariance = phase_covariance(exponent, times[:, None] - times[None, :])

        assert weights @ covariance @ weights / (2 * tau**2) == pytest.approx(variance(tau), rel=1e-12, abs=0)

    @pytest.mark.parametrize("exponent", [0, -1, -2])
    def test_third_difference_gives_back_the_hadamard_variance(self, exponent: int) -> None:
        """HVAR = Var(third difference)/6τ² (NIST SP 1065), from K alone."""
        weights, tau = np.array([-1.0, 3.0, -3.0, 1.0]), 7.0
        times = tau * np.arange(4)
        variance = weights @ phase_covariance(exponent, times[:, None] - times[None, :]) @ weights

        assert variance / (6 * tau**2) == pytest.approx(
            float(only(exponent).deviation(tau, "hadamard")) ** 2, rel=1e-12, abs=0
        )

    @pytest.mark.parametrize("exponent", [0, -1, -2])
    def test_it_is_conditionally_positive_definite(self, exponent: int) -> None:
        """No combination blind to constants and lines has a negative variance (Matheron 1973)."""
        times = np.sort(np.random.default_rng(1).uniform(0, 50, 30))
        drift = np.vander(times, 2)
        blind = np.linalg.svd(drift)[0][:, 2:]
        covariance = blind.T @ phase_covariance(exponent, times[:, None] - times[None, :]) @ blind

        values = np.linalg.eigvalsh(covariance)

        assert values.min() > 1e-9 * values.max() * (1e-4 if exponent == -2 else 1)

    @pytest.mark.parametrize("exponent", [2, 1, -3, 0.5])
    def test_other_exponents_are_refused(self, exponent: float) -> None:
        """Phase noises depend on the bandwidth and have no such form."""
        with pytest.raises(InputError, match="a generalized covariance exists for 0, -1 and -2"):
            phase_covariance(exponent, 1.0)


class TestSimulation:
    """Simulated clocks have the noise they were given."""

    @pytest.mark.grid(4)
    @pytest.mark.parametrize("kind", ["allan", "modified", "time", "hadamard"])
    @pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
    def test_levels_are_those_allantools_finds(self, exponent: int, kind: str) -> None:
        """The mean variance of 40 seeded clocks of 4096 samples agrees with the level.

        At factors 8 and 32 the overlapping estimates of 40 clocks have some 40 x 4096/(2 x 32) = 2500 or
        more degrees of freedom, hence a standard error of the variance of at most 3 %; 10 % is over three of
        those. The flicker-PM formula holds for a sharp cut-off, the sampled one is soft, which gives
        5 to 7 % more (200 clocks): 12 %.
        """
        interval, factors, level = 10.0, [8, 32], 1e-22
        generator = np.random.default_rng(100 + exponent)
        variances = []
        for _ in range(40):
            record = simulate_clock(
                4096, interval_s=interval, levels=only(exponent, level), seed=generator, kind="phase"
            )
            _, deviation, _, _ = getattr(allantools, NAMES[kind])(
                record.values, rate=1 / interval, data_type="phase", taus=[interval * m for m in factors]
            )
            variances.append(deviation**2)

        expected = only(exponent, level).deviation(
            interval * np.array(factors), kind, cutoff_hz=0.5 / interval
        )

        tolerance = 0.12 if exponent == 1 else 0.10
        np.testing.assert_allclose(np.mean(variances, axis=0), expected**2, rtol=tolerance)

    @pytest.mark.parametrize("exponent", [0, -1, -2])
    def test_allan_variance_is_exact_at_one_interval(self, exponent: int) -> None:
        """Frequencies are averages over the interval: no discretisation error even at factor 1.

        Variance of 2^18 samples: about 1.7e5 degrees of freedom, standard error 0.35 %; four of those.
        """
        record = simulate_clock(1 << 18, interval_s=10.0, levels=only(exponent, 1e-22), seed=7)
        _, deviation, _, _ = allantools.adev(record.values, rate=0.1, data_type="freq", taus=[10.0])

        assert deviation[0] ** 2 == pytest.approx(
            float(only(exponent, 1e-22).deviation(10.0)) ** 2, rel=0.014, abs=0
        )

    @pytest.mark.slow
    def test_long_flicker_stays_flat(self) -> None:
        """Flicker FM from 1 to 2^14 intervals has one Allan deviation: no cut-off of the recursion shows.

        Each of 30 clocks of 2^17 gives at the longest factor 7 or so independent differences: some 200
        degrees of freedom, standard error 10 %; three of those.
        """
        factors = 2 ** np.arange(0, 15, 2)
        generator = np.random.default_rng(11)
        variances = []
        for _ in range(30):
            record = simulate_clock(1 << 17, interval_s=1.0, levels=only(-1), seed=generator)
            _, deviation, _, _ = allantools.oadev(record.values, rate=1.0, data_type="freq", taus=factors)
            variances.append(deviation**2)

        np.testing.assert_allclose(np.mean(variances, axis=0) / (2 * math.log(2)), 1.0, rtol=0.3)

    @pytest.mark.parametrize("n", [10, 37, 1000, 4097, 65537])
    def test_circulant_embedding_is_positive(self, n: int) -> None:
        """The embedded spectrum is positive: clipping at zero changes nothing (Davies and Harte 1987)."""
        covariance = _second_difference_covariance(n)
        padding = np.zeros(fft.next_fast_len(2 * n) - 2 * n + 1)

        spectrum = fft.rfft(np.concatenate([covariance, padding, covariance[:0:-1]])).real

        assert spectrum.min() > 0

    def test_covariance_at_long_lags_joins_the_exact_one(self) -> None:
        """The series used at long lags agrees with the fourth difference of K in extended precision."""
        lags = np.array([64, 65, 80, 120])
        t = np.abs(lags[:, None] + np.arange(-2, 3)).astype(np.longdouble)
        fourth = (0.5 * t**2 * np.log(t)) @ np.array([1, -4, 6, -4, 1], dtype=np.longdouble)

        np.testing.assert_allclose(_second_difference_covariance(200)[lags], fourth.astype(float), rtol=1e-8)

    @pytest.mark.parametrize("kind", ["phase", "frequency"])
    def test_same_seed_same_clock(self, kind: str) -> None:
        """A seed gives the same record every time, another seed another."""
        levels = NoiseLevels(
            white_pm=1e-20, flicker_pm=1e-22, white_fm=1e-22, flicker_fm=1e-24, random_walk_fm=1e-30
        )
        one, same, other = (
            simulate_clock(500, interval_s=10.0, levels=levels, seed=seed, kind=kind) for seed in (5, 5, 6)
        )

        np.testing.assert_array_equal(one.values, same.values)
        assert not np.array_equal(one.values, other.values)
        assert len(one) == 500
        assert one.truth.levels == levels

    def test_offset_and_aging_are_added_exactly(self) -> None:
        """Without noise the clock is its offset and its law; phase is their integral."""
        options = {"interval_s": 10.0, "levels": NoiseLevels(), "seed": 0, "frequency_offset": 1e-9}
        frequency = simulate_clock(100, aging=lambda t: 1e-15 * t, **options)
        phase = simulate_clock(101, aging=lambda t: 1e-15 * t, kind="phase", **options)
        elapsed = 10.0 * np.arange(101)

        np.testing.assert_allclose(frequency.values, 1e-9 + 1e-15 * (elapsed[:-1] + 5.0), rtol=1e-13)
        np.testing.assert_allclose(
            phase.values, 1e-9 * elapsed + 0.5e-15 * elapsed**2, rtol=1e-12, atol=1e-25
        )

    def test_scaling_the_levels_scales_the_noise(self) -> None:
        """A hundred times the spectral level is ten times the noise, at any size."""
        levels = {"white_fm": 1e-22, "flicker_fm": 1e-25, "random_walk_fm": 1e-32, "white_pm": 1e-21}
        small = simulate_clock(300, interval_s=1.0, levels=NoiseLevels(**levels), seed=3)
        large = simulate_clock(
            300, interval_s=1.0, levels=NoiseLevels(**{k: 100 * v for k, v in levels.items()}), seed=3
        )

        np.testing.assert_allclose(large.values, 10 * small.values, rtol=1e-12, atol=1e-30)

    def test_white_pm_is_that_of_sampled_phase(self) -> None:
        """σ_x² = h₊₂ f_h / 4π² with f_h half the sampling rate (IEEE Std 1139), within 3 standard errors."""
        record = simulate_clock(20_000, interval_s=4.0, levels=only(2, 1e-18), seed=9, kind="phase")

        sigma = math.sqrt(1e-18 * (0.5 / 4.0) / (4 * math.pi**2))

        assert white_pm_deviation(1e-18, 4.0) == pytest.approx(sigma, rel=1e-13, abs=0)
        assert record.values.std() == pytest.approx(sigma, rel=3 / math.sqrt(2 * 20_000), abs=0)

    @pytest.mark.parametrize("n", [2, 3])
    @pytest.mark.parametrize("kind", ["phase", "frequency"])
    def test_shortest_clocks(self, n: int, kind: str) -> None:
        """Two samples are enough for every noise."""
        levels = NoiseLevels(white_pm=1, flicker_pm=1, white_fm=1, flicker_fm=1, random_walk_fm=1)
        assert len(simulate_clock(n, interval_s=1.0, levels=levels, seed=0, kind=kind)) == n

    def test_bad_arguments_are_refused(self) -> None:
        """Too few samples and impossible intervals get a sentence."""
        with pytest.raises(InputError, match="n is 1; at least 2 samples are needed"):
            simulate_clock(1, interval_s=1.0, levels=only(0), seed=0)
        for interval in (0.0, -1.0, math.nan):
            with pytest.raises(InputError, match=r"interval_s is .*; it must be a positive number"):
                simulate_clock(9, interval_s=interval, levels=only(0), seed=0)


def test_a_seed_sequence_keeps_the_noises_apart() -> None:
    """With a stream for every noise a record is the sum of its noises, whichever others are there."""
    names = ("white_pm", "flicker_pm", "white_fm", "flicker_fm", "random_walk_fm")
    levels = dict(zip(names, (4e-23, 1e-24, 2e-22, 3e-25, 1e-28), strict=True))

    def simulated(**some: float) -> np.ndarray:
        seed = np.random.SeedSequence(7)
        return simulate_clock(500, interval_s=1.0, levels=NoiseLevels(**some), seed=seed).values

    alone = {name: simulated(**{name: level}) for name, level in levels.items()}
    assert simulated(**levels) == pytest.approx(sum(alone.values()), rel=1e-9, abs=1e-24)
    assert simulated(white_fm=9 * levels["white_fm"]) == pytest.approx(3 * alone["white_fm"], rel=1e-12)
    correlations = np.corrcoef([np.diff(noise) for noise in alone.values()])
    assert np.abs(correlations[np.triu_indices(5, 1)]).max() < 0.2  # 4.5 standard deviations for 500
