"""The command line: what is asked wrongly is said in one sentence, and each command does what it says."""

import errno
import json

import pytest

from smallgauge import __version__, cli
from smallgauge.arguments import build_parser
from smallgauge.errors import CallerError


def run(capsys, *arguments):
    code = cli.main(list(map(str, arguments)))
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return code, said.out, said.err


def test_help_teaches(capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(["--help"])
    assert ended.value.code == 0
    words = capsys.readouterr().out
    assert "exit codes" in words and "finish CAPTURE" in words
    commands = build_parser()._subparsers._group_actions[0].choices
    for name in ("demo", "finish", "analyse", "treat", "render", "prove", "deliver"):
        assert "example:" in commands[name].format_help()


def test_the_version_is_told(capsys):
    with pytest.raises(SystemExit):
        cli.main(["--version"])
    assert capsys.readouterr().out.strip() == f"smallgauge {__version__}"


def test_a_capture_needs_a_shelf(capsys, tmp_path):
    assert cli.main(["finish", str(tmp_path)]) == 2
    assert "--out" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [[], ["polish"], ["render", "here"], ["finish", "--out", "there"]])
def test_what_the_parser_refuses_ends_with_2(arguments, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(arguments)
    assert ended.value.code == 2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("line-up",), ("`smallgauge line-up` needs CAPTURE, --out", "`smallgauge line-up --help`")),
        (("join", "one"), ("`smallgauge join` needs --out, --reel.",)),
        (("sign-off",), ("`smallgauge sign-off` needs REEL, --who, --in-room.",)),
        (("release", "--go", "wrk"), ("--go", "'wrk'", "frames")),
        (("finish", "there", "--polish"), ("--polish", "`smallgauge --help`")),
    ],
)
def test_what_the_parser_refuses_is_one_sentence_too(arguments, told, capsys):
    with pytest.raises(SystemExit):
        cli.main(arguments)
    words = capsys.readouterr().err
    assert len(words.splitlines()) == 1 and "usage" not in words
    assert all(each in words for each in told), words


@pytest.mark.parametrize(
    ("decide", "told"),
    [
        (("camera_speed", "quick"), "18, 16.73 or 50/3"),
        (("camera_speed", "0.5"), "between 1 and 200"),
        (("camera_speed", "1/0"), "18, 16.73 or 50/3"),
        (("sync", "26"), "26@1.44"),
        (("sync", "x@1"), "26@1.44"),
        (("sync", "26@soon"), "26@1.44"),
        (("colour", "blue"), "camera_speed"),
    ],
)
def test_a_decision_that_cannot_be_is_refused(capsys, tmp_path, decide, told):
    code, _, words = run(capsys, "treat", tmp_path, "--decide", *decide, "--by", "mk", "--why", "so")
    assert code == 2
    assert told in words and len(words.strip().splitlines()) == 1


def test_a_decision_needs_a_person_and_a_reason(capsys, tmp_path):
    code, _, words = run(capsys, "treat", tmp_path, "--decide", "camera_speed", "18")
    assert code == 2
    assert "--by" in words and "--why" in words


@pytest.mark.parametrize(
    "arguments",
    [
        ("treat", "{}"),
        ("treat", "{}", "--decide", "camera_speed", "18", "--by", "mk", "--why", "so"),
        ("prove", "{}"),
        ("prove", "{}/nowhere"),
        ("deliver", "{}"),
        ("stills", "{}/nowhere", "--frames", "1", "--by", "mk"),
        ("finish", "{}", "--out", "{}/shelf", "--note", "nothing"),
    ],
)
def test_a_folder_that_is_no_reel_is_refused_in_words(capsys, tmp_path, arguments):
    code, _, words = run(capsys, *(a.format(tmp_path) for a in arguments))
    assert code == 3
    assert len(words.strip().splitlines()) == 1
    assert not (tmp_path / "nowhere").exists(), "a folder was made where nothing was"


def test_no_worker_is_too_few(capsys, tmp_path):
    code, _, words = run(capsys, "finish", tmp_path, "--out", tmp_path / "shelf", "--workers", "0")
    assert code == 2
    assert "--workers" in words


def test_json_says_the_error_too(capsys, tmp_path):
    code, out, err = run(capsys, "finish", tmp_path, "--out", tmp_path / "shelf", "--json")
    assert code == 3
    assert json.loads(out)["exit_code"] == 3 and "holds no frames" in json.loads(out)["error"]
    assert err == ""
    code, out, _ = run(capsys, "finish", tmp_path, tmp_path / "b", "--out", tmp_path / "shelf", "--json")
    assert code == 3
    assert [e["exit_code"] for e in json.loads(out)["errors"]] == [3, 3]


def test_the_time_may_be_stated(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1768644000")
    assert cli._now() == "2026-01-17T10:00:00Z"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "noon")
    with pytest.raises(CallerError, match="whole seconds"):
        cli._now()


def test_what_the_system_refuses_is_told_in_words(capsys, tmp_path, monkeypatch):
    import smallgauge.line

    def finish(path, out, settings):
        raise PermissionError(13, "Permission denied", "frame_000001.dpx")

    monkeypatch.setattr(smallgauge.line, "finish", finish)
    code, _, words = run(capsys, "finish", tmp_path, "--out", tmp_path / "shelf")
    assert code == 3
    assert "Permission denied at frame_000001.dpx" in words


def test_a_mistake_of_ours_says_so(capsys, tmp_path, monkeypatch):
    import smallgauge.line

    def finish(path, out, settings):
        raise ZeroDivisionError("a mistake of ours")

    monkeypatch.setattr(smallgauge.line, "finish", finish)
    assert cli.main(["finish", str(tmp_path), "--out", str(tmp_path / "shelf")]) == 70
    assert "The program itself failed" in capsys.readouterr().err


def test_a_speed_for_one_scene_is_for_silent_reels_and_real_places(tmp_path, capsys):
    from smallgauge.demo import write_specimen
    from smallgauge.picture.synthetic import specimen_truth

    for name, sound in (("silent", False), ("striped", True)):
        truth = specimen_truth("super 8", width=256, height=192, frames=6, bits=8, striped=sound)
        write_specimen(
            tmp_path / name, truth, format="png", sound=sound, reel=name, box_words="", processes=1
        )
        assert (
            run(capsys, "analyse", tmp_path / name, "--out", tmp_path / "shelf", "--workers", 1, "--quiet")[0]
            == 0
        )
    words = ("--by", "mk", "--why", "slow")
    silent, striped = tmp_path / "shelf" / "silent", tmp_path / "shelf" / "striped"
    code, out, _ = run(capsys, "treat", silent, "--decide", "camera_speed", "12", "--scene", 4, *words)
    assert code == 0 and "scene at film position 4" in out
    for reel, subject, place, said in (
        (silent, ("camera_speed", "12"), 6, "0 to 5"),
        (silent, ("framing", "whole capture"), 2, "Only camera_speed"),
        (striped, ("camera_speed", "12"), 2, "silent reel"),
    ):
        code, _, err = run(capsys, "treat", reel, "--decide", *subject, "--scene", place, *words)
        assert code == 2 and said in err


@pytest.mark.parametrize("named", [True, False])
def test_a_full_volume_is_told_with_its_room_though_a_library_says_nothing_of_where(
    named, capsys, tmp_path, monkeypatch
):
    place = tmp_path / "shelf"

    def write(options):
        raise OSError(errno.ENOSPC, "No space left on device", *([str(place / "a.mkv")] if named else []))

    monkeypatch.setattr(cli, "_line", write)
    code, _, said = run(capsys, "finish", tmp_path / "film", "--out", place)
    assert code == 3 and f"free at {place}" in said and "make room there" in said and said.count("\n") == 1


@pytest.mark.parametrize(
    ("what", "first", "done", "took_s", "told"),
    [
        ("frames rendered", 0, 35, 2.0, "frames rendered: 35 in 2 s, 17.5 a second"),
        ("stills", 0, 3, 9.0, "stills: 3 in 9 s, 3.0 s each"),
        ("stills", 3, 3, 9.0, "stills: 3 in 9 s"),  # all stood already
        ("files packed", 0, 35, 0.2, "files packed: 35 in 0 s"),
        ("bytes read", 0, 4_000_000, 2.0, "bytes read: 4.0 MB in 2 s, 2.0 MB a second"),
    ],
)
def test_a_piece_of_work_tells_its_pace(monkeypatch, capsys, what, first, done, took_s, told):
    clock = iter((100.0, 100.0 + took_s))
    monkeypatch.setattr("time.monotonic", lambda: next(clock))
    progress = cli._Progress(quiet=False)
    progress(what, first, done + 1)
    progress(what, done, done)
    assert capsys.readouterr().err == f"{told}\n"
