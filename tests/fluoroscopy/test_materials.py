"""What bone and metal weaken of the beam, against NIST's tables (Hubbell and Seltzer, NISTIR 5632; from memory)."""

import numpy as np
import pytest

from septal_planner.fluoroscopy.detector import Response, intensities
from septal_planner.fluoroscopy.drr import Attenuation, attenuation, line_integrals
from septal_planner.fluoroscopy.materials import as_fluoroscopy_sees
from septal_planner.fluoroscopy.projection import Projection

KEV = [50.0, 60.0, 80.0]
# mass attenuation, cm2/g, at those energies
WATER = [0.2269, 0.2059, 0.1837]
CORTICAL_BONE, BONE_G_CM3 = [0.4242, 0.3148, 0.2229], 1.92  # ICRU-44
TITANIUM, TITANIUM_G_CM3 = [1.213, 0.7661, 0.4052], 4.54


def at(kev, table):
    """Between the table's energies a power law, as the tables' authors advise."""
    return float(np.exp(np.interp(np.log(kev), np.log(KEV), np.log(table))))


def hu(kev, table, g_cm3):
    return 1000 * (g_cm3 * at(kev, table) / at(kev, WATER) - 1)


def seen(*values_hu):
    voxels = np.rint(np.array(values_hu, dtype=np.float64)).astype(np.int16) + 1000
    body = Attenuation(voxels.reshape(1, 1, -1), np.eye(4))
    return as_fluoroscopy_sees(body).voxels.ravel().astype(float) - 1000


def test_air_water_and_soft_tissue_stay_what_they_are():
    np.testing.assert_array_equal(seen(-1000, -100, 0, 45, 100), [-1000, -100, 0, 45, 100])


def test_cortical_bone_is_that_of_the_tables_at_the_lower_energy():
    found = seen(hu(70, CORTICAL_BONE, BONE_G_CM3))[0]
    assert found == pytest.approx(hu(50, CORTICAL_BONE, BONE_G_CM3), abs=15)


def test_marrow_bone_of_water_and_bone_mineral_is_close():
    """A mixture of water and cortical bone by volume: a third of bone. Its attenuation is the sum of its parts'."""
    found = seen(hu(70, CORTICAL_BONE, BONE_G_CM3) / 3)[0]
    assert found == pytest.approx(hu(50, CORTICAL_BONE, BONE_G_CM3) / 3, rel=0.1)


def test_contrast_medium_is_no_darker_than_it_will_be():
    # iodine, cm2/g: 50 keV 12.32, 60 keV 7.579, 80 keV 3.510 (the same tables); blood at 400 HU by iodine alone
    gain = 12.32 / at(50, WATER) / (at(70, [12.32, 7.579, 3.510]) / at(70, WATER))
    assert 400 < seen(400)[0] < 400 * gain


def test_metal_at_the_end_of_the_scale_is_titanium():
    assert seen(3071)[0] == pytest.approx(hu(50, TITANIUM, TITANIUM_G_CM3), abs=30)
    ordered = seen(*range(-1000, 31767, 13))
    assert (np.diff(ordered) >= 0).all()


def test_a_lead_two_millimetres_thick_stands_out_from_a_chest():
    """200 mm of water and a rod of metal behind it: the share of light it leaves, by Beer and Lambert's law."""
    voxels = np.zeros((60, 200, 60), dtype=np.int16)
    voxels[:, 100:102, 29:31] = 3071
    place = np.eye(4)
    place[:3, 3] = [-29.5, -99.5, -29.5]
    frame = Projection(0, 0, (0.0, 0.0, 0.0), 1100.0, 750.0, (0.4, 0.4), (65, 65))
    body = as_fluoroscopy_sees(attenuation(voxels, place))
    light = intensities(line_integrals(body, frame), Response(), pixel_mm=frame.pixel_mm)
    row = light[32]
    expected = np.exp(-(TITANIUM_G_CM3 * TITANIUM[0] - WATER[0]) / 10 * 2.0)  # per mm, over 2 mm, in water's place
    assert row.min() / np.median(row) == pytest.approx(expected, rel=0.05)
