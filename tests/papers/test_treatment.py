"""Decisions: the log only grows, the operator's word stays, and the treatment follows from the log alone."""

import tomllib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from smallgauge.errors import CallerError, MaterialError
from smallgauge.record.files import add_decisions, read_decisions, write_treatment
from smallgauge.record.treatment import (
    HOUSE_VALUE,
    PROGRAM,
    decide,
    propose,
    treatment_findings,
    treatment_of,
)

AT = "2026-01-17T10:00:00Z"
SUBJECTS = ("camera_speed", "sync")

STEPS = st.lists(
    st.tuples(
        st.sampled_from(["propose", "decide", "back"]),
        st.sampled_from(SUBJECTS),
        st.integers(16, 18),
    ),
    max_size=14,
)


def log_of(steps):
    log = ()
    for what, subject, number in steps:
        value = {"rate": str(number)}
        if what == "propose":
            log = propose(log, subject=subject, value=value, at=AT, why="usual")
        else:
            log = decide(
                log, subject=subject, value=value if what == "decide" else None, by="mk", at=AT, why="seen"
            )
    return log


@given(STEPS)
def test_the_operators_last_word_is_in_force(steps):
    log = log_of(steps)
    treatment = treatment_of(log)
    for subject in SUBJECTS:
        mine = [d for d in log if d.subject == subject and d.by != PROGRAM]
        programs = [d for d in log if d.subject == subject and d.by == PROGRAM]
        entry = treatment.find(subject)
        if mine and mine[-1].value is not None:
            assert entry.decision == mine[-1]
            differs = bool(programs) and programs[-1].value != mine[-1].value
            assert entry.proposal == (programs[-1] if differs else None)
        elif programs:
            assert entry.decision == programs[-1]
        else:
            assert entry is None


@given(STEPS)
def test_the_log_only_grows_and_counts(steps):
    log = ()
    for n in range(len(steps)):
        longer = log_of(steps[: n + 1])
        assert longer[: len(log)] == log
        log = longer
    assert [d.id for d in log] == list(range(1, len(log) + 1))
    assert treatment_of(log).revision == len(log)


@given(STEPS)
def test_asking_twice_adds_nothing(steps):
    log = log_of(steps)
    for subject in SUBJECTS:
        mine = [d for d in log if d.subject == subject and d.by == PROGRAM]
        if mine:
            assert propose(log, subject=subject, value=mine[-1].value, at="later", why="usual") == log


@settings(max_examples=20)
@given(STEPS, st.integers(0, 60))
def test_files_give_the_same_back_whatever_was_torn(tmp_path_factory, steps, cut):
    folder = tmp_path_factory.mktemp("log")
    path, log = folder / "decisions.jsonl", log_of(steps)
    add_decisions(path, (), log)
    if log:
        assert read_decisions(path) == log
        raw = path.read_bytes()
        path.write_bytes(raw[: max(0, len(raw) - cut)])
        left = read_decisions(path)
        assert left == log[: len(left)]
        add_decisions(path, left, log)
        assert read_decisions(path) == log
        assert path.read_bytes() == raw
    write_treatment(folder / "treatment.toml", treatment_of(log))
    document = tomllib.loads((folder / "treatment.toml").read_text(encoding="utf-8"))
    assert document["revision"] == len(log)
    assert [d["subject"] for d in document.get("decision", [])] == [
        e.decision.subject for e in treatment_of(log).in_force
    ]


def test_a_decision_on_an_old_revision_is_refused():
    log = log_of([("propose", "sync", 16), ("decide", "sync", 17)])
    with pytest.raises(CallerError, match="look again"):
        decide(log, subject="sync", value={"x": 1}, by="mk", at=AT, why="", revision_seen=1)
    assert len(decide(log, subject="sync", value={"x": 1}, by="mk", at=AT, why="", revision_seen=2)) == 3


@pytest.mark.parametrize(("subject", "by"), [("colour", "mk"), ("sync", ""), ("sync", PROGRAM)])
def test_nobody_decides_nothing(subject, by):
    with pytest.raises(CallerError):
        decide((), subject=subject, value={}, by=by, at=AT, why="")


def test_a_log_that_was_changed_by_hand_is_refused_in_words(tmp_path):
    (tmp_path / "decisions.jsonl").write_text('{"id": 1}\n')
    with pytest.raises(MaterialError, match=r"decisions\.jsonl"):
        read_decisions(tmp_path / "decisions.jsonl")


def test_what_rests_on_no_evidence_and_what_differs_is_said():
    log = log_of([("propose", "camera_speed", 18)])
    assert [f.code for f in treatment_findings(treatment_of(log))] == ["camera speed house value"]
    log = log_of([("propose", "camera_speed", 18), ("decide", "camera_speed", 16)])
    assert [f.code for f in treatment_findings(treatment_of(log))] == ["operator keeps another value"]
    house = replace(log[0], basis=HOUSE_VALUE)  # no evidence is no objection
    assert treatment_findings(treatment_of((house, log[1]))) == ()
    same = replace(log[0], value={"rate": "16"})
    assert treatment_findings(treatment_of((same, log[1]))) == ()
