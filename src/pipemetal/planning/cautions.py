"""Cautions for work with liquid lead alloys, and dated limits with the law that sets them.

Nothing here says that anything is safe. Local law and the competent authority prevail; limits change, and the date beside
each says when it was read.
"""

from __future__ import annotations

from typing import Final

__all__ = ["CAUTIONS", "EXPOSURE_LIMITS", "FORMER_WORDS"]

CAUTIONS: Final = (
    "Metal, ladles, moulds and every piece that goes into the pot must be dry and warm: water under the surface throws metal."
    " Open and flatten old pipes first; they hide water, glue, wood and dead insects. (Foundry safety guidance.)",
    "Face shield, leather or cotton, boots; no synthetics. Nobody stands in the path of the sled while it is pushed.",
    "The exposure at this heat is dust rather than vapour: dross, skimming, planing, sweeping, hands. Wet wiping or a HEPA"
    " vacuum, no dry brushing; wash with soap; no food or drink; clothes stay in the shop. (Legge & Goadby 1912; HSE L132.)",
    "Keep zinc, aluminium and brass out of the pot: sort scrap and ask where it comes from. (Common practice, no source.)",
    "The figures are a guide, computed and nowhere measured on a cast of yours until your log says so: the caster's eye and"
    " the look of the metal in the sled decide. Local codes and licensed practice prevail over anything printed here.",
)

EXPOSURE_LIMITS: Final = (
    ("US OSHA 29 CFR 1910.1025", "air, 8 h", "50 ug/m3, action level 30", "text read 2026-11"),
    ("California title 8 s. 5198, from 2025-01-01", "air, 8 h", "10 ug/m3, action level 2", "summaries read 2026-11"),
    ("EU Directive (EU) 2024/869", "air, 8 h", "0.03 mg/m3", "Official Journal 2024-03-19, read 2026-11"),
    ("EU Directive (EU) 2024/869", "blood", "30 ug/100 ml until 2028-12-31, then 15", "same"),
    (
        "UK Control of Lead at Work Regulations 2002",
        "air, 8 h",
        "0.15 mg/m3; under revision in 2026",
        "HSE, read 2026-11",
    ),
    ("Denmark", "blood", "20 ug/100 ml; may have changed", "amid.dk annex 3, read 2026-11"),
)
"""Law, what is limited, limit, and when it was read."""

FORMER_WORDS: Final = {
    CAUTIONS[4].replace("in the sled decide", "in the box decide"): CAUTIONS[4],
    "text seen 2026-11": "text read 2026-11",
    "summaries seen 2026-11": "summaries read 2026-11",
}
"""What plans of older programs say, and how it is said now: kept plans are shown in today's words and in every language."""
