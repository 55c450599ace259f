"""`check --self-test` where it cannot be done: one clear line each."""

from command_kit import is_one_clear_complaint


def test_a_board_without_a_self_test_is_told(chrono) -> None:
    refused = chrono("check", "virtual://two-bands", "--self-test")
    is_one_clear_complaint(refused, "virtual://two-bands", "has no self-test")


def test_light_needs_the_self_test_and_the_self_test_a_port(chrono) -> None:
    is_one_clear_complaint(chrono("check", "virtual://two-bands", "--light"), "--self-test")
    for targets in (("a.tsv",), ("virtual://two-bands", "virtual://two-bands")):
        refused = chrono("check", *targets, "--self-test")
        is_one_clear_complaint(refused, "--self-test", "one port")


def test_a_wrong_rig_is_told_before_the_test(chrono) -> None:
    words = ("--self-test", "--light", "--rig", "nowhere.toml")
    is_one_clear_complaint(chrono("check", "virtual://two-bands", *words), "nowhere.toml")
