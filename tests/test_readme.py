"""The Python of the README runs as it stands there."""

import re
from pathlib import Path

import pytest

README = Path(__file__).parents[1] / "README.md"


def test_the_python_of_the_readme_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", README.read_text(), re.DOTALL)
    assert "terrain_samples/upland.toml" in code
    (tmp_path / "terrain_samples").symlink_to(README.parent / "terrain_samples")
    monkeypatch.chdir(tmp_path)
    exec(compile(code, str(README), "exec"), {})
    assert "dB" in capsys.readouterr().out
    assert (tmp_path / "sweep.csv").read_text().startswith("spreading_factor,far.antenna_height_m,")
