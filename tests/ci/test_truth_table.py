"""The rigs of the truth table: every manoeuvre on one of its own."""

from ci import truth_table


def test_every_manoeuvre_has_a_rig_of_its_own(monkeypatch):
    """Else several cases would share the errors of one instrument, and count as one."""
    asked = []

    def held(item, _rig, seed, number):
        asked.append((item.id.split(".")[0], seed, number))
        return [], f"{item.id} left out"

    monkeypatch.setattr(truth_table, "held_against_truth", held)
    for seed in (1, 2):
        for number in (1, 2, 3):
            cases, problems = truth_table.of_rig(seed, number)
            assert cases == []
            assert len(problems) == 6
    assert len({(seed, number) for _, seed, number in asked}) == len(asked) == 36
    again = list(asked)
    asked.clear()
    truth_table.of_rig(1, 1)
    assert asked == again[:6]
