import numpy as np
import pytest

from layerblend.errors import InputError
from layerblend.steps.psf import measure_psf
from tests.scenes.stars import add_stars, random_catalogue, star_field


def varying_field(seed=1, stars=400, height=800, width=1000, noise=2e-4, beta=2.8, tilt=0.03, bend=1.0):
    """Stars whose width grows to the corners and whose long axes follow a known pattern; returns image and (ln fwhm, e1, e2) terms."""
    rng = np.random.default_rng(seed)
    catalogue = random_catalogue(rng, stars, height, width, -1.5, 1.0)
    u, v = 2 * catalogue[:, 0] / (width - 1) - 1, 2 * catalogue[:, 1] / (height - 1) - 1
    terms = np.array([[np.log(3.2), tilt, 0, 0.10 * bend, 0, 0.12 * bend], [0.04, 0, 0, 0.05, 0, -0.05], [0, 0, 0, 0, 0.10, 0]])
    ln_fwhm, e1, e2 = terms @ np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    short = (1 - np.hypot(e1, e2)) / (1 + np.hypot(e1, e2))
    plane = np.full((height, width), 0.02)
    angle = np.degrees(0.5 * np.arctan2(e2, e1))
    add_stars(plane, catalogue, np.exp(ln_fwhm), beta, np.sqrt(1 - short**2), angle)
    image = np.minimum(plane + rng.normal(0, noise, plane.shape), 1.0).astype(np.float32)
    return image, terms, beta


def test_field_of_the_shape_is_found():
    image, terms, beta = varying_field()
    shape = measure_psf(image)
    np.testing.assert_allclose(shape.terms, terms, atol=0.01)
    assert shape.beta == pytest.approx(beta, rel=0.03)
    assert "quadratic" in shape.words[0]
    truth = np.exp(terms[0] @ [1, -1, -1, 1, 1, 1])
    assert shape.at(0, 0).fwhm == pytest.approx(truth, rel=0.02)
    assert shape.centre.fwhm == pytest.approx(3.2, rel=0.01)


def test_stars_used_are_told_with_their_measures():
    shape = measure_psf(varying_field()[0])
    assert shape.stars.dtype == np.float64 and shape.stars.shape[1] == 8 and len(shape.stars) > 100
    assert (np.diff(shape.stars[:, 2]) <= 0).all()
    x, y, _, _, fwhm, major, eccentricity, _ = shape.stars.T
    assert np.allclose(major, fwhm / (1 - eccentricity**2) ** 0.25)
    assert np.ptp(x) > 900 and np.ptp(y) > 700


def test_mono_and_colour_agree():
    image, _, _ = varying_field(2, 300, 600, 700)
    mono = measure_psf(image)
    colour = measure_psf(np.repeat(image[..., None], 3, -1))
    assert colour.centre.fwhm == pytest.approx(mono.centre.fwhm, rel=1e-4)


@pytest.mark.parametrize("stars, kind", [(20, "the same"), (45, "linear"), (200, "quadratic")])
def test_fewer_stars_carry_fewer_terms(stars, kind):
    shape = measure_psf(varying_field(3, stars, 500, 600, tilt=0.15, bend=0.5)[0])
    assert kind in shape.words[0]
    assert (len(shape.stars) < 25) == any("one shape for the whole field" in word for word in shape.words)


@pytest.mark.parametrize("stars", [18, 38, 150])
def test_a_field_that_does_not_vary_comes_out_flat(stars):
    shape = measure_psf(star_field(3, 500, 600, stars=stars, margin=20, eccentricity=0.4, angle=50).image)
    assert shape.centre.fwhm == pytest.approx(3.4, rel=0.01)
    assert shape.centre.eccentricity == pytest.approx(0.4, abs=0.03)
    assert shape.at(0, 0).fwhm == pytest.approx(3.4, rel=0.03)
    assert np.abs(shape.terms[:, 3:]).max() < 0.01
    assert "the same all over the field" in shape.words[0]


def test_faint_stars_far_from_a_bright_cluster_are_heard():
    """700 bright stars on one side, 60 faint ones on the other: the 400 brightest all lie in the cluster."""
    rng = np.random.default_rng(1)
    cluster, rest = random_catalogue(rng, 700, 900, 400, 0.4, 1.0), random_catalogue(rng, 60, 900, 760, -0.6, -0.2, margin=20)
    rest[:, 0] += 420
    plane = np.full((900, 1200), 0.02)
    add_stars(plane, np.concatenate([cluster, rest]), 3.0, 3.0)
    shape = measure_psf((plane + rng.normal(0, 2e-4, plane.shape)).astype(np.float32))
    assert (shape.stars[:, 0] > 420).sum() > 40


def test_galaxies_do_not_bend_the_field():
    rng = np.random.default_rng(13)
    plane = star_field(13, 700, 900, stars=110, sky=0.0).image.astype(float)
    galaxies = random_catalogue(rng, 60, 700, 450, -0.5, 1.0, margin=10)
    add_stars(plane, galaxies, 3.4 * np.exp(rng.uniform(0.1, 0.6, 60)), 3.0, rng.uniform(0.2, 0.7, 60), rng.uniform(0, 180, 60))
    shape = measure_psf(plane.astype(np.float32))
    for place in ((0, 0), (899, 699), (450, 350), (0, 699)):
        assert shape.at(*place).fwhm == pytest.approx(3.4, rel=0.03)


def test_undersampled_stars_are_called_so():
    shape = measure_psf(star_field(4, 400, 500, stars=80, fwhm=1.6).image)
    assert shape.centre.fwhm == pytest.approx(1.6, rel=0.02)
    assert any("undersampled" in word for word in shape.words)
    assert not any("undersampled" in word for word in measure_psf(star_field(4, 400, 500, stars=80, fwhm=2.6).image).words)


@pytest.mark.parametrize("options", [{"hot": 1e-4, "galaxy": True}, {"stars": 2500}, {"correlated": True}, {"noise": 1e-3}])
def test_disturbed_fields_keep_the_width(options):
    shape = measure_psf(star_field(5, 600, 800, **options).image)
    assert shape.centre.fwhm == pytest.approx(3.4, rel=0.02)
    assert shape.centre.eccentricity < 0.2


def test_saturated_stars_do_not_count():
    field = star_field(6, 500, 600, stars=120, bright=1.8, clip=0.4)
    shape = measure_psf(field.image, saturated=field.image >= 0.4)
    assert shape.centre.fwhm == pytest.approx(3.4, rel=0.01)
    assert shape.stars[:, 3].max() < 0.4
    # A share of saturated frames counts as the mask does; without either the flat tops fail the fit.
    np.testing.assert_array_equal(measure_psf(field.image, saturated=0.3 * (field.image >= 0.4)).terms, shape.terms)
    assert measure_psf(field.image).centre.fwhm == pytest.approx(3.4, rel=0.03)


def test_gaps_and_sky_subtracted_values_are_welcome():
    field = star_field(7, 500, 600, stars=120, sky=0.0)
    image = field.image.copy()
    image[:40] = np.nan
    before = image.copy()
    assert measure_psf(image).centre.fwhm == pytest.approx(3.4, rel=0.01)
    np.testing.assert_array_equal(image, before)


def test_no_star_is_one_clear_sentence():
    with pytest.raises(InputError, match=r"^The star image cannot be measured: 0 usable stars"):
        measure_psf(np.random.default_rng(8).normal(0.1, 1e-3, (300, 300)).astype(np.float32))
    with pytest.raises(InputError, match="cannot be measured"):
        measure_psf(np.zeros((300, 300, 3), np.float32))


def test_same_image_same_shape():
    image = star_field(9, 300, 400, stars=80).image
    np.testing.assert_array_equal(measure_psf(image).terms, measure_psf(image).terms)


def test_a_picture_without_noise_is_measured_too():
    plane = np.full((300, 400), 0.1)
    catalogue = random_catalogue(np.random.default_rng(10), 30, 300, 400, -1.0, 0.5, margin=20)
    add_stars(plane, catalogue, 3.2, 3.0, 0.4, 60.0, radius=12)
    shape = measure_psf(plane.astype(np.float32))
    assert shape.centre.fwhm == pytest.approx(3.2, rel=0.02) and shape.centre.eccentricity == pytest.approx(0.4, abs=0.02)
