"""The dose of a case, as far as headers say it."""

from tests.test_intake import START
from tracker.arrival import Arrival
from tracker.casebook import CasePicture, Role
from tracker.dosing import CaseDose, dose_of
from tracker.record import PictureRow
from tracker.values import HeaderFacts


def picture(
    number: int, dose: float | None, role: Role = "still", instance: str = ""
) -> CasePicture:
    row = PictureRow(number, number, f"{number}.dcm", f"{number:064}", 1, START)
    facts = HeaderFacts("XA", dose_area_dgycm2=dose, instance_key=instance or f"i{number}")
    return CasePicture(row, role, arrival=Arrival(row.sha256, facts))


def test_the_doses_of_the_case_s_pictures_are_added() -> None:
    found = dose_of(
        [
            picture(0, 2.0, "first"),
            picture(1, 1.5),
            picture(2, None),
            picture(3, 0.5, "earlier"),
            picture(4, 9.0, "held"),
            picture(5, 9.0, "film"),
            picture(6, 1.5, instance="i1"),
        ]
    )
    assert found == CaseDose(4.0, None, 3, 5)


def test_values_that_only_rise_may_be_a_running_total() -> None:
    assert dose_of([picture(k, 1.0 + k) for k in range(3)]) == CaseDose(6.0, 3.0, 3, 3)
    assert dose_of([picture(k, 1.0 + k) for k in range(2)]).last_dgycm2 is None
    assert dose_of([picture(k, 1.0) for k in range(4)]).last_dgycm2 is None


def test_where_nothing_is_said_nothing_is_known() -> None:
    assert dose_of([picture(0, None)]) == CaseDose(pictures=1)
    assert dose_of([]) == CaseDose()
