import numpy as np
import pytest

from inspector.curing import aci_bending_mpa, characteristic_strength_mpa, en_bending_mpa, en_tensile_mpa
from inspector.errors import InputError

MPA_PER_PSI = 0.00689476


def test_tensile_strength_of_the_classes():
    # EN 1992-1-1:2004, Table 3.1, C20/25 to C40/50, the formula evaluated apart (from memory); it prints 2.2, 2.6, 2.9,
    # 3.5.
    expected = np.array([2.210, 2.565, 2.896, 3.509])
    assert en_tensile_mpa([20, 25, 30, 40]) == pytest.approx(expected, abs=1e-3)
    assert np.round(expected, 1) == pytest.approx(np.array([2.2, 2.6, 2.9, 3.5]))


def test_tensile_strength_of_strong_classes():
    # The same table for C60/75, C70/85 and C90/105 (from memory): 4.4, 4.6, 5.0.
    assert en_tensile_mpa([60, 70, 90]) == pytest.approx(np.array([4.4, 4.6, 5.0]), abs=0.05)


def test_a_thin_part_is_stronger_in_bending():
    # EN 1992-1-1:2004, 3.1.8(1), Eq. (3.23), C25/30, parts of 20 and 50 mm (from memory).
    assert en_bending_mpa(25, thickness_mm=[20, 50]) == pytest.approx(np.array([4.053, 3.976]), abs=1e-3)
    # From 600 mm on bending is no better than tension.
    assert en_bending_mpa(25, thickness_mm=700) == en_tensile_mpa(25)


def test_bending_by_aci_318():
    # ACI 318, 19.2.3.1 (from memory): 3.100 MPa for 25 MPa. In psi the standard has 7.5 sqrt(fc'), 474.3 psi for 4000
    # psi: its two roundings differ by 0.4 %.
    assert aci_bending_mpa(25) == pytest.approx(3.100, abs=1e-3)
    assert aci_bending_mpa(4000 * MPA_PER_PSI) / MPA_PER_PSI == pytest.approx(474.3, rel=0.005)


def test_the_characteristic_strength_of_a_mean():
    # EN 1992-1-1:2004, Table 3.1: fcm 28, 33 and 38 MPa for C20/25, C25/30 and C30/37 (from memory).
    assert list(characteristic_strength_mpa([28, 33, 38])) == [20, 25, 30]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: en_tensile_mpa([25, 11.9]), "11.9 MPa is below the lowest class"),
        (lambda: en_bending_mpa(25, thickness_mm=0), "0 mm thick cannot be"),
        (lambda: en_bending_mpa(25, thickness_mm=np.nan), "nan mm thick cannot be"),
    ],
)
def test_what_the_formulas_do_not_know_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
