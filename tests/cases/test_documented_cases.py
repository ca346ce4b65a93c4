"""Documented real repairs: what was wrong stands high among the suspects, and it is the readings that put it there.

Each file names its source. What was found to be wrong is read only to score.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from cases import by_part, causes_to_find, main, place_of, run_case, summary

FOLDER = Path(__file__).parent
FILES = sorted(FOLDER.glob("*.toml"))


@pytest.fixture(scope="module")
def scored() -> list[dict]:
    """Every case with its evidence and without."""
    return [run_case(path) for path in FILES]


def test_every_documented_case_runs_to_its_end(scored):
    assert len(scored) == len(FILES) >= 20
    for path, case in zip(FILES, scored, strict=True):
        assert case["id"] == path.stem
        assert case["rank"] >= 1.0
        assert 0.0 <= case["probability"] <= 1.0
        assert 0.0 <= case["healthy"] + case["not_listed"] <= 1.0
        assert case["top"]


def test_cause_of_three_repairs_in_five_is_among_the_first_three_suspects(scored):
    assert summary(scored)["top3"] >= 0.60


def test_readings_and_symptoms_do_better_than_the_rates_alone(scored):
    read = [case for case in scored if case["readings"]]
    assert len(read) >= 12
    told = summary(read)
    assert told["top3"] >= told["top3_withheld"] + 0.15
    assert told["mrr"] > sum(1 / case["rank_withheld"] for case in read) / len(read)


def test_cases_with_more_readings_are_found_better(scored):
    with_, without = (summary([c for c in scored if bool(c["readings"]) is read]) for read in (True, False))
    assert with_["top3"] > without["top3"]


def test_no_cause_is_missing_from_the_list_for_want_of_its_part(scored):
    for case in scored:
        assert case["probability"] > 0.0, case["id"]


def test_readings_of_real_repairs_are_taken_in(scored):
    """What is left out is told; of these cases' readings next to nothing should be."""
    left = [text for case in scored for text in case["left_out"]]
    assert len(left) <= 0.1 * sum(case["readings"] + case["symptoms"] for case in scored)


# ---- how it is scored


def test_consequences_are_no_causes_and_confirmed_ones_go_first():
    document = {
        "cause": [
            {"role": "output.coupling_capacitor", "certainty": "confirmed"},
            {"role": "output.valve", "certainty": "confirmed", "consequence": True},
            {"role": "output.grid_leak", "certainty": "likely"},
        ]
    }
    assert [c["role"] for c in causes_to_find(document)] == ["output.coupling_capacitor"]
    del document["cause"][0]
    assert [c["role"] for c in causes_to_find(document)] == ["output.grid_leak"]


def test_part_that_is_not_there_stands_behind_all():
    assert place_of([], "output.valve") == (1.0, 0.0)


def test_parts_are_ranked_by_all_that_may_be_wrong_with_them():
    document = tomllib.loads(FILES[0].read_text(encoding="utf-8"))
    from hetwright.card.documented import case_from_mapping
    from hetwright.faults.suspects import prepare

    case = case_from_mapping(document, FILES[0].name)
    prepared = prepare(case.card, "found")
    ranked = by_part(prepared, prepared.diagnose(prepared.case([])))
    parts = [item.part for item in ranked]
    assert len(set(parts)) == len(parts)
    assert set(parts) == {fault.part for fault in prepared.faults}
    said = [item.probability for item in ranked]
    assert said == sorted(said, reverse=True)
    assert max(said) <= 1.0


def test_summary_counts_shares():
    two = [
        {"rank": 1.0, "rank_withheld": 9.0, "recall_top5": 1.0},
        {"rank": 4.0, "rank_withheld": 2.0, "recall_top5": 0.5},
    ]
    told = summary(two)
    assert told == {
        "n": 2,
        "top1": 0.5,
        "top3": 0.5,
        "mrr": 0.625,
        "top1_withheld": 0.0,
        "top3_withheld": 0.5,
        "recall_top5": 0.75,
    }
    assert summary([]) == {"n": 0}


def test_folder_without_cases_is_told(tmp_path, capsys):
    assert main([str(tmp_path)]) == 2
    assert "no case files" in capsys.readouterr().err


def test_case_that_cannot_be_run_is_told_and_counts_as_not_found(tmp_path, capsys):
    good = FILES[0].read_text(encoding="utf-8")
    (tmp_path / "a.toml").write_text(good, encoding="utf-8")
    (tmp_path / "b.toml").write_text(good.replace('V1 = "', 'V1 = "ZZ99', 1), encoding="utf-8")
    assert main([str(tmp_path), "--json"]) == 0
    import json

    document = json.loads(capsys.readouterr().out)
    assert document["n"] == 2
    assert [f["file"] for f in document["failed"]] == ["b.toml"]
    assert "ZZ99" in document["failed"][0]["why"]
    assert document["top1"] <= 0.5
