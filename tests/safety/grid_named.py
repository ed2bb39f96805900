"""Rows of the table of hazards that no single run in memory can show: real processes, files, people, wiring. Each names
the tests that show what the program does about it, or that what it cannot do is told."""

from __future__ import annotations

from dataclasses import dataclass

SCREEN, LOCKS, BARRIERS = (
    "tests/harness/test_screen_asks.py",
    "tests/harness/test_locks.py",
    "tests/harness/test_barriers.py",
)
ASKED, UNATTENDED = "tests/harness/test_acknowledging.py", "tests/harness/test_unattended.py"
CHANGED, RESUME = "tests/harness/test_limits_changed.py", "tests/recovery/test_resume_refuses.py"
GUARDED, README = "tests/safety/test_real_guard.py", "tests/test_readme.py"


@dataclass(frozen=True, slots=True)
class Named:
    """``tests`` show it, by file and function; ``why`` it is not played in the grid."""

    why: str
    tests: tuple[str, ...]


BEFORE = "it is settled before anything is talked to, the same for every procedure and with everything off"

NAMED: dict[str, Named] = {
    "UPS of other volts than the file says": Named(
        "a dead node tells nothing: whoever wires it up reads the label",
        (f"{SCREEN}::test_the_battery_volts_of_a_ups_are_read_by_a_person",),
    ),
    "a person says yes without looking": Named(
        BEFORE,
        (f"{ASKED}::test_yes_and_no_answer_no_question", f"{ASKED}::test_what_does_not_fit_the_thing_is_refused"),
    ),
    "limits moved up after a trip": Named(
        BEFORE,
        (
            f"{CHANGED}::test_refused",
            f"{CHANGED}::test_a_hair_over_is_over",
            f"{CHANGED}::test_what_stands_in_the_result",
        ),
    ),
    "the look before a run skipped, or an old one counted": Named(
        BEFORE,
        (
            f"{ASKED}::test_for_half_an_hour",
            f"{ASKED}::test_for_the_same_plan_files_and_instruments_only",
            f"{ASKED}::test_a_note_that_was_changed_or_copied_counts_for_nothing",
            "tests/safety/test_hazard_grid.py::test_no_option_goes_round_a_look",
        ),
    ),
    "left alone behind too few barriers": Named(
        BEFORE,
        (
            f"{BARRIERS}::test_a_row_passes_with_two_that_count_and_not_else",
            f"{UNATTENDED}::test_refused_with_the_cheapest_remedy",
            f"{UNATTENDED}::test_a_load_that_lies_is_not_left_alone",
        ),
    ),
    "program dies or is killed": Named(
        "a process has to die for it; what is left of a bench then is played as: program, guard and computer vanish",
        (f"{GUARDED}::test_a_sample", f"{GUARDED}::test_killed_at_drawn_instants"),
    ),
    "a run is taken up by itself after a crash": Named(
        "it is another start of the program",
        (
            f"{LOCKS}::test_a_killed_run_counts_as_live_until_safe_has_switched_off",
            f"{RESUME}::test_the_bench_is_only_asked_and_the_folder_only_read",
        ),
    ),
    "two programs on one bench": Named(
        "two processes have to be there; the second computer is played as: a second client",
        (f"{LOCKS}::test_two_processes_race_and_exactly_one_wins", f"{LOCKS}::test_one_shared_instrument_is_enough"),
    ),
    "half an order left in a line": Named(
        "bytes of a process that is gone have to lie in a real line",
        (
            "tests/safety/test_guard_lines.py::test_it_reaches_what_it_says",
            "tests/safety/test_hazard_grid.py::test_no_part_of_a_set_point_is_more_than_the_whole",
        ),
    ),
    "switched off in the wrong order": Named(
        "every order is played in every phase, and the chosen one held against the others",
        ("tests/safety/test_off_order.py::test_the_chosen_order_is_the_least_or_has_its_argument",),
    ),
    "mains on the battery side": Named(
        "no program can see it: the proof is that it is told and claims nothing",
        (f"{README}::test_the_page_holds_every_caution",),
    ),
    "fire spreads": Named(
        "no program can put it out: the proof is that tray, clear space and detector are typed off",
        (
            f"{ASKED}::test_everything_that_goes_for_a_discharge_is_asked",
            f"{README}::test_the_page_holds_every_caution",
        ),
    ),
}
