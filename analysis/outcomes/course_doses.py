"""Doses of a first course: what its implants give together, as the department recorded them.

Implants on one tumour that start within the course gap of its first are one course, and their doses
add up (``dose`` analyses never look at a later course). The fovea, disc and lens belong to the eye:
where eyes or patients are counted, plaques on another tumour of the same eye that start within the
gap of the first give dose there too. A sum is missing where one implant's dose is, and where the
implants' doses are by different dose models, since such doses do not add up.
"""

from __future__ import annotations

from registry.records import TABLES

OF_THE_EYE = ("dose_fovea_gy", "dose_disc_gy", "dose_lens_gy", "dose_opposite_retina_gy")
"""Doses at places that every plaque of an eye reaches."""

COURSE_DOSES: tuple[str, ...] = (
    "prescribed_dose_gy",
    *(
        field.name
        for field in TABLES["implant"].entered
        if field.name.startswith("dose_") and field.unit == "Gy"
    ),
)
"""Recorded doses that add up over a course."""


def course_sum(field: str) -> str:
    """SQL for the sum of one dose over the rows ``i`` of one course; NULL where it is missing.

    Raises
    ------
    ValueError
        For a field that does not add up.

    Examples
    --------
    >>> "sum(i.dose_apex_gy)" in course_sum("dose_apex_gy")
    True
    """
    if field not in COURSE_DOSES:
        raise ValueError(f"{field!r} is not a dose that adds up over a course: {COURSE_DOSES}")
    models = "count(DISTINCT CASE WHEN i.dose_model <> 'unknown' THEN i.dose_model END)"
    return (
        f"CASE WHEN count(i.{field}) = count(*) AND {models} <= 1"
        f" THEN CAST(sum(i.{field}) AS DOUBLE) END"
    )


def course_rows(units: str, *, of_the_eye: bool = False) -> str:
    """SQL joining each unit to the implants ``i`` of its first course.

    Named parameters: ``$cut_date``, ``$recorded_until`` and ``$course_gap_days``.

    Parameters
    ----------
    units
        A relation with ``unit_id``, ``tumour_id`` (of the first treated tumour) and ``implant_id``
        (its first implant).
    of_the_eye
        Whether plaques on other tumours of the eye count too; never for a unit that is a tumour.
    """
    same_eye = "o.patient_id = t.patient_id AND o.eye = t.eye AND u.unit_id <> u.tumour_id"
    owner = f"(o.tumour_id = t.tumour_id OR ({same_eye}))" if of_the_eye else (
        "o.tumour_id = t.tumour_id"
    )  # fmt: skip
    return (
        f"{units} u JOIN tumour_as_of($recorded_until) t ON t.tumour_id = u.tumour_id"
        " JOIN implant_as_of($recorded_until) f ON f.implant_id = u.implant_id"
        f" JOIN tumour_as_of($recorded_until) o ON {owner}"
        " JOIN implant_as_of($recorded_until) i ON i.tumour_id = o.tumour_id"
        " AND CAST(i.inserted_at AS DATE) <= $cut_date"
        " AND CAST(i.inserted_at AS DATE) - CAST(f.inserted_at AS DATE)"
        " BETWEEN 0 AND CAST($course_gap_days AS INTEGER)"
    )
