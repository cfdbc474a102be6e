"""`--engine`: whether photos are compared by what was learned, too."""

import pytest


def found(run, photos, *options, **world):
    result = run("inspect", "crack.jpg", "--reference", "r1.jpg", *options, **world)
    assert result.exit_code == 0, result.output
    return result.stdout.splitlines()[0]


def test_both_is_what_is_done_unless_asked_otherwise(run, photos):
    assert found(run, photos) == found(run, photos, "--engine", "both") == "crack.jpg: 1 finding"
    assert found(run, photos, "--engine", "classic") == "crack.jpg: nothing found"


def test_the_environment_may_ask_and_the_option_comes_first(run, photos):
    assert found(run, photos, INSPECTOR_ENGINE="classic") == "crack.jpg: nothing found"
    assert found(run, photos, "--engine", "both", INSPECTOR_ENGINE="classic") == "crack.jpg: 1 finding"


def test_an_engine_that_is_not_there_is_named(run, photos):
    result = run("inspect", "crack.jpg", "--reference", "r1.jpg", INSPECTOR_ENGINE="newest")
    assert result.exit_code == 1
    assert "INSPECTOR_ENGINE says 'newest'" in result.stderr
    assert "classic or both" in result.stderr


@pytest.mark.parametrize("photo", ["crack.jpg", ["crack.jpg", "chip.jpg", "good.jpg"]])
def test_what_cannot_be_used_is_told_once(run, photos, photo):
    names = [photo] if isinstance(photo, str) else photo
    result = run("inspect", *names, "--reference", "r1.jpg", fault="The networks are gone.")
    assert result.exit_code == 0
    assert result.stderr.count("The networks are gone.") == 1
    asked = run("inspect", *names, "--reference", "r1.jpg", "--engine", "classic", fault="The networks are gone.")
    assert "networks" not in asked.stderr  # nobody asked for them


def test_what_the_classic_comparison_misses_is_told_too(run, photos):
    gone = {"fault": "Two networks are gone.", "classic_fault": "One network is gone."}
    asked = run("inspect", "crack.jpg", "--reference", "r1.jpg", "--engine", "classic", **gone)
    assert asked.exit_code == 0
    assert asked.stderr.count("One network is gone.") == 1
    assert "Two networks" not in asked.stderr


def test_another_engine_inspects_the_log_again(run, photos):
    assert run("mold", "add", "tile", "r1.jpg", "--yes").exit_code == 0
    assert run("record", "chip.jpg", "--mold", "tile").exit_code == 0
    assert "Every photo was inspected" in run("reinspect").stdout
    assert "1 photo was inspected again" in run("reinspect", "--engine", "classic").stdout
    assert "Every photo was inspected" in run("reinspect", "--engine", "classic").stdout
