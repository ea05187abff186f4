"""A stand file on disk, made from the example that ships."""

import re
from pathlib import Path

EXAMPLE = Path(__file__).parents[2] / "deploy" / "stand.example.toml"


def write_stand_file(folder: Path, **values: str) -> Path:
    """Write the example stand file for this folder, with values (in TOML's spelling) put in; give its path."""
    text = EXAMPLE.read_text()
    for key, value in {"state_dir": f'"{folder}"', **values}.items():
        text, changed = re.subn(rf"(?m)^#? ?{key} = .*$", f"{key} = {value}", text, count=1)
        assert changed == 1, key
    path = folder / "stand.toml"
    path.write_text(text)
    return path
