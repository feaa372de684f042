"""What can hurt a person, a rig or an instrument, said before the first capture of a rig and on every page.

Short on purpose, and never the last word: local rules and licensed practice come first.
"""

from __future__ import annotations

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Pinching and crushing",
        "Keep fingers out from between the platens. Set a mechanical stop, approach slowly, never reach in "
        "under a driven screw. A motor needs an emergency stop that does not depend on this software; a "
        "screen where a sample may splinter.",
    ),
    (
        "Springs",
        "Valve springs and bottom caps can jump out. Wear eye protection, open caps away from the face.",
    ),
    (
        "Load cell",
        "Set a hard stop below the rated force; padlab stays below 80 % of it. Check zero and preload "
        "before each run. Side load and shock ruin cells. Hang weights over foam, feet clear; tether "
        "whatever weighs over half a kilogram.",
    ),
    (
        "Blades and punches",
        "Cut away from the hand, on a mat, caps on when laid down. No pad held by hand against a spinning "
        "tool; no gloves, sleeves or hair near it.",
    ),
    (
        "Dust",
        "Punch sharply rather than sand. Use extraction or a suitable mask: wool and cork dust can "
        "sensitise, and it burns. No compressed air on dust, no flame near it.",
    ),
    (
        "Old pads",
        "Pads of unknown make may hold moth poison, mercury or mineral fibre. Do not sand, split or blow "
        "them: damp, bag, wash hands. Old instruments carry lead solder and worse: wash hands before "
        "eating.",
    ),
    (
        "Adhesives and solvents",
        "Read the safety data sheet. Ventilate, wear gloves, no flame or heat gun near vapours. Hot shellac "
        "burns.",
    ),
    (
        "Heat",
        "Do not heat unknown foams, PVC or fluoropolymers above the maker's limit: the fumes are toxic. "
        "Never unattended.",
    ),
    (
        "Electricity",
        "Low voltage only. Mains work and machine guarding are for qualified persons under local codes.",
    ),
    (
        "Unattended runs",
        "Only with a full guard, fuse and thermal cut-out, a metal tray, nothing that burns near, and a "
        "stop on overtravel of its own; otherwise stop when you leave. By hand: rest every 100 presses, "
        "stop at pain; the player too.",
    ),
    (
        "The instrument",
        "Mark pistons, caps and pads by number and never swap them. No metal probe in a port, nothing "
        "clamped on the casing; press in line with the stem. Piston out while cutting or glueing near it. "
        "Never work a valve with a stop pad missing. After fitting press once, hard and slowly, never above "
        "the player's own hardest press: no click of metal, and the piston must not leave its guide. Rubber "
        "vulcanised with sulphur and some glues tarnish silver and brass: try on scrap.",
    ),
)
