"""A CT in Hounsfield units with its place in the patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Volume:
    """CT voxels `hu` [k, j, i] (int16, or float32 where the file is fractional) placed by the 4x4 `lps_from_index`
    (i, j, k order; may be oblique, left-handed or sheared, never singular)."""

    hu: NDArray[np.generic]
    lps_from_index: NDArray[np.float64]
    source: str = ""                              # what was read, for messages; never a patient name
    series_instance_uid: str | None = None
    frame_of_reference_uid: str | None = None
    phase_percent: float | None = None            # of the RR interval; None: not recorded
    patient_position: str | None = None           # DICOM (0018,5100), e.g. "HFS"; None: not recorded
    identity: dict[str, str] | None = None        # name, id, birth date; printed only with --with-identity
    notes: tuple[str, ...] = ()                   # what was found odd and how it was handled, for the plan's cautions


# def read_volume(path, *, series_uid=None, progress=None) -> Volume          raises InputRefused
# def list_series(path, ...) -> list[SeriesSummary]                            for `inspect`
# def content_sha256(volume) -> str                                           of voxels + affine
