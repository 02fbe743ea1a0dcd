"""The teaching unit with pieces of its text replaced, for hard cases."""

from fetsim.schematic.load import load_unit


def changed_text(folder, *pairs):
    """Path of a unit file: ``old, new, old, new, ...`` replaced in the teaching unit's text."""
    text = load_unit("teaching").text
    for old, new in zip(pairs[::2], pairs[1::2], strict=True):
        assert old in text, old
        text = text.replace(old, new)
    path = folder / f"unit{len(list(folder.iterdir()))}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def with_node_called(folder, name):
    """The teaching unit, the node behind its divider renamed."""
    return load_unit(changed_text(folder, '"dr"', f'"{name}"'))


def without_gain_cell(folder):
    """The teaching unit, its gain cell not named."""
    lines = ("[gain_cell]\n", 'fet = "J1"\n', 'control_node = "ctl"\n')
    return load_unit(changed_text(folder, *(text for line in lines for text in (line, ""))))
