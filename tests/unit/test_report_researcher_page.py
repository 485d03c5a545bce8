"""The researcher's page: its numbers are the tables', its size is bounded, quality is summed up, nothing is empty."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from html_for_tests import read
from results_for_tests import dataset_of, many_students
from tables_for_tests import lesson_tables

from imuswing.compare.describe import distributions, flag_counts, task_counts
from imuswing.report.dataset_quality import dataset_quality
from imuswing.report.load import Dataset
from imuswing.report.researcher_page import render_researcher
from imuswing.report.texts import load_texts


@pytest.fixture(scope="module")
def dataset() -> Dataset:
    chips, fulls = many_students(), many_students(4, task="full")
    records = [*chips.quality["recordings"], *fulls.quality["recordings"]]
    swings = pd.concat([chips.swings, fulls.swings.head(40)], ignore_index=True)
    return replace(chips, swings=swings, quality={"recordings": records})


def words(html: str) -> str:
    return re.sub(r"\s+", " ", " ".join(read(html).text))


def test_the_page_says_what_there_is(dataset: Dataset) -> None:
    html = render_researcher(dataset)
    swings = dataset.swings
    struck = swings[swings.kind == "shot"]
    text = words(html)
    assert f"{len(struck)} shots by 5 students in {len(dataset.quality['recordings'])} recordings" in text
    assert f"{len(swings) - len(struck)} practice swings are not counted. 25 more recordings could not be used" in text
    assert read(html).wrong == []
    assert "Some of these recordings are simulated" in text
    assert render_researcher(dataset, texts=load_texts("de"))


def test_distributions_are_those_of_pandas(dataset: Dataset) -> None:
    found = {(one.task, one.measure): one for one in distributions(dataset.swings)}
    own = dataset.swings[(dataset.swings.kind == "shot") & (dataset.swings.task == "full")]
    one = found["full", "backswing_arc_deg"]
    described = own.backswing_arc_deg.describe(percentiles=[0.05, 0.25, 0.5, 0.75, 0.95])
    names = ["count", "mean", "std", "5%", "25%", "50%", "75%", "95%"]
    assert (one.measured, one.mean, one.sd, *one.percentiles) == pytest.approx(tuple(described[names]))
    assert one.sd_between == pytest.approx(own.groupby("participant").backswing_arc_deg.mean().std())
    chips = found["chip", "backswing_arc_deg"]
    assert (chips.low, chips.high) == (one.low, one.high)
    # All but what lies beyond the common ends, a hundredth at most.
    assert 0.97 * (one.measured + chips.measured) <= one.bins.sum() + chips.bins.sum() <= one.measured + chips.measured


def test_tasks_and_flags_are_counted(dataset: Dataset) -> None:
    first, second = task_counts(dataset.swings)
    own = dataset.swings[dataset.swings.task == "chip"]
    assert (first.task, second.task) == ("chip", "full")
    assert (first.students, first.visits, first.recordings) == (5, 11, 11)
    assert (first.swings, first.shots) == (len(own), int((own.kind == "shot").sum()))
    assert first.verdicts == own[own.kind == "shot"].chest_verdict.value_counts().to_dict()
    flags = {one.flag: one for one in flag_counts(dataset.swings)}
    assert flags["events_from_chest"].students == 5
    assert flags["events_from_chest"].swings == dataset.swings["flags"].map(lambda f: "events_from_chest" in f).sum()


def test_alike_warnings_are_counted_once_a_recording_with_their_numbers_left_out() -> None:
    warning = {"level": "advice", "text": "The hand sensor lost 31 samples."}
    other = {"level": "advice", "text": "The hand sensor lost 7.5 samples."}
    problem = {"level": "problem", "text": "No swing was found."}
    found = dataset_quality([{"warnings": [warning, other]}, {"warnings": [other, problem]}, {}])
    assert [(one.level, one.text, one.recordings) for one in found.said] == [
        ("problem", "No swing was found.", 1),
        ("advice", "The hand sensor lost … samples.", 2),
    ]
    assert [one.problems for one in found.troubled] == [1]


def test_sensors_and_steps_are_summed_up_over_recordings() -> None:
    records = [record for seed in range(4) for record in lesson_tables(seed=seed)[2]["recordings"]]
    shares = [0.0, 1.0, 2.0, 30.0]
    for record, lost in zip(records, shares, strict=True):
        record["sensors"] = {"chest": {"rate_hz": 100.0 + lost, "samples": 1000, "lost_samples": 10 * lost}}
    found = dataset_quality(records)
    (chest,) = found.sensors
    assert (chest.recordings, chest.rates) == (4, (100.0, 101.5, 130.0))
    assert chest.lost is not None
    assert (chest.lost.median, chest.lost.high, chest.lost.most) == pytest.approx(
        (1.5, np.percentile(shares, 95), 30.0)
    )
    assert chest.clipped is None
    assert {step.step: step.found for step in found.steps} == {"stand": 4, "bow": 4, "table": 4, "forearm_roll": 0}


def test_the_page_does_not_grow_with_the_number_of_swings() -> None:
    """Ten times the students, swings, warnings and recordings of no use: at most some digits more."""
    small, large = many_students(6, shots=5), many_students(60, shots=5)
    large = replace(large, failures=small.failures * 40)
    sizes = [len(render_researcher(one)) for one in (small, large)]
    assert sizes[1] < 1.1 * sizes[0] < 300_000
    swings = large.swings.sample(5000, replace=True, random_state=1).reset_index(drop=True)
    swings["swing"] = range(len(swings))
    assert len(render_researcher(replace(large, swings=swings))) < 1.1 * sizes[0]


def test_a_single_visit_has_its_spread_and_the_reason_for_what_is_missing() -> None:
    text = words(render_researcher(dataset_of(lesson_tables())))
    assert "This needs at least three students with two visits each." in text
    empty = words(render_researcher(dataset_of(lesson_tables(verdicts=(), practice=0))))
    assert "No shot with a number is in these results." in empty
