"""filmdose budget: how much dose until a loss."""

import json

import pytest

from filmdose.inverse import kerma_for_loss


def test_text_names_losses_and_says_what_is_not_known(run):
    code, out, _ = run("budget", "--speeds", "100,800")
    assert code == 0
    assert "0.5 stop " in out
    assert "1 stop " in out
    assert "lost" in out
    assert "badge readings at 20 checkpoints" in " ".join(out.split())


@pytest.mark.parametrize("kind", ["colour-negative", "colour-reversal", "bw-reversal"])
def test_every_kind_has_a_budget(run, kind):
    code, out, _ = run("budget", "--kind", kind, "--speeds", "100", "--format", "json")
    assert code == 0
    doses = [row["kerma_ugy"] for row in json.loads(out)["rows"]]
    assert doses == sorted(doses)


def test_json_agrees_with_the_library(run):
    code, out, _ = run("budget", "--speeds", "800", "--loss", "0.5,inf", "--format", "json")
    assert code == 0
    half, rescue = json.loads(out)["rows"]
    assert half["kerma_ugy"] == pytest.approx(kerma_for_loss(800, 0.5).kerma_ugy)
    assert rescue["loss_stops"] is None  # JSON has no infinity
    assert rescue["kerma_ugy"] > half["kerma_ugy"]


@pytest.mark.parametrize("format", ["csv", "markdown"])
def test_other_formats(run, format):
    code, out, _ = run("budget", "--speeds", "800", "--format", format)
    assert code == 0
    assert out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--loss", "0"], "loss: got '0'"),
        (["--loss", "much"], "loss: got 'much'"),
        (["--kind", "colour-reversal", "--speeds", "3200"], "speed: got 3200"),
        (["--speeds", "x"], "speeds: got 'x'"),
        (["--format", "docx"], "format: got 'docx'"),
        (["--format", "pdf"], "a file for pdf"),
    ],
)
def test_bad_input(run, words, says):
    code, out, err = run("budget", *words)
    assert code == 2
    assert out == ""
    assert says in err
    assert err.count("\n") == 1
