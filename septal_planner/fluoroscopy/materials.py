"""What bone, contrast medium and metal weaken of a fluoroscopy beam, whose energy is lower than that of the CT.

A CT number is attenuation over water's at the CT's energy. At the lower energy of fluoroscopy calcium, iodine and
metal stand out more from water than there, and a line integral of the CT alone shows them paler than they will be. A CT
number does not tell calcium from iodine, so that what is denser than soft tissue is taken as bone: contrast medium
stays paler than it will be. One mean energy stands for the whole beam: no hardening.

Mass attenuation coefficients (cm2/g) of NIST's tables (Hubbell and Seltzer, NISTIR 5632, doi 10.18434/T4D01F; values
from memory), ICRU-44 cortical bone of 1.92 g/cm3, titanium of 4.54 g/cm3; 70 keV between 60 and 80 on a log scale.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from septal_planner.fluoroscopy.drr import WATER, Attenuation

# mean energies: of a 120 kV CT beam 70 keV, of a copper-filtered 70 to 80 kV beam 50 keV (common practice, no source)
WATER_50, WATER_70 = 0.2269, 0.1937
BONE_50, BONE_70, BONE_DENSITY = 0.4242, 0.2616, 1.92
TITANIUM_50, TITANIUM_DENSITY = 1.213, 4.54

SOFT = WATER + 100  # in thousandths of water: up to here, soft tissue and blood without contrast medium, as in the CT
# Cortical bone: what the CT shows of it, and what it is at fluoroscopy
BONE_CT = WATER * BONE_DENSITY * BONE_70 / WATER_70
BONE_XRAY = WATER * BONE_DENSITY * BONE_50 / WATER_50
# Denser than any bone. The scale of many CTs ends at 3071 HU, so that how much metal weakens is not in it: taken for
# titanium there. Steel and platinum weaken more, but a CT shows them broader than they are.
METAL, SCALE_END = WATER + 2400, WATER + 3071
METAL_XRAY = WATER * TITANIUM_DENSITY * TITANIUM_50 / WATER_50


def as_fluoroscopy_sees(body: Attenuation) -> Attenuation:
    """The body in thousandths of water's attenuation at the energy of fluoroscopy: soft tissue as it was, more above it
    in proportion so that cortical bone comes right, and what is denser than bone taken for metal."""
    return Attenuation(_table()[body.voxels], body.lps_from_index)


def _table() -> NDArray[np.int16]:
    """New value of each value from 0 to the largest."""
    old = np.arange(np.iinfo(np.int16).max + 1, dtype=np.float64)
    slope = (BONE_XRAY - SOFT) / (BONE_CT - SOFT)
    bone = np.where(old <= SOFT, old, SOFT + slope * (old - SOFT))
    at_metal = SOFT + slope * (METAL - SOFT)
    metal = np.interp(old, [METAL, SCALE_END], [at_metal, METAL_XRAY])
    new = np.where(old <= METAL, bone, np.maximum(metal, old))
    return np.asarray(np.rint(np.minimum(new, np.iinfo(np.int16).max)), dtype=np.int16)
