"""Touchstone files of others: what is read, and the one line that refuses the rest.

The format is the open EIA/IBIS standard, versions 1.1 and 2.0 (option line, defaults and the order
of a two-port from memory).
"""

from pathlib import Path

import numpy as np
import pytest

from sawfem.errors import InputError
from sawfem.touchstone import MOST_BYTES, read_touchstone

HEAD = "# MHz S RI R 50\n"


def write(folder: Path, text: str | bytes, name: str = "wafer.s1p") -> Path:
    place = folder / name
    place.write_bytes(text if isinstance(text, bytes) else text.encode())
    return place


def test_units_formats_and_comments(tmp_path: Path) -> None:
    text = "! prober 2\n# kHz S DB R 75\n800000 -6.020599913 90 ! first\n\n810000 0 -90\n"
    data = read_touchstone(write(tmp_path, text), ports=1)
    np.testing.assert_allclose(data.frequency, [800e6, 810e6])
    np.testing.assert_allclose(data.scattering[:, 0, 0], [0.5j, -1j], atol=1e-9)
    np.testing.assert_array_equal(data.reference, np.full((2, 1), 75.0))
    assert data.warnings == ()


def test_defaults_of_the_option_line(tmp_path: Path) -> None:
    """# GHz S MA R 50 where nothing is said."""
    data = read_touchstone(write(tmp_path, "#\n0.8 0.5 180\n0.9 0.25 0\n"))
    np.testing.assert_allclose(data.frequency, [0.8e9, 0.9e9])
    np.testing.assert_allclose(data.scattering[:, 0, 0], [-0.5, 0.25], atol=1e-12)


def test_order_of_a_two_port_and_its_noise_data(tmp_path: Path) -> None:
    text = (
        HEAD + "800 .1 0 .2 0 .3 0 .4 0\n900 .1 0 .2 0 .3 0 .4 0\n500 1 .5 90 .3\n600 1 .5 90 .3\n"
    )
    data = read_touchstone(write(tmp_path, text, "a.s2p"), ports=2)
    np.testing.assert_allclose(data.scattering[1].real, [[0.1, 0.3], [0.2, 0.4]])
    np.testing.assert_allclose(data.frequency, [800e6, 900e6])


def test_three_ports_in_rows_of_their_own(tmp_path: Path) -> None:
    row = ".1 0 .2 0 .3 0\n"
    rows = "".join(f"{f} {row}{row}{row}" for f in (800, 810))
    data = read_touchstone(write(tmp_path, HEAD + rows, "a.s3p"))
    assert data.ports == 3
    np.testing.assert_allclose(data.scattering[1].real, np.tile([0.1, 0.2, 0.3], (3, 1)))


def test_version_2_says_its_ports_itself(tmp_path: Path) -> None:
    text = (
        "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 1\n[Number of Frequencies] 2\n"
        "[Reference] 75\n[Network Data]\n8e8 .5 0\n9e8 .25 0\n[End]\n"
    )
    data = read_touchstone(write(tmp_path, text, "a.ts"), ports=1)
    np.testing.assert_allclose(data.frequency, [8e8, 9e8])
    np.testing.assert_allclose(data.scattering[:, 0, 0], [0.5, 0.25])
    np.testing.assert_allclose(data.reference, 75.0)


def test_more_out_than_in_is_told(tmp_path: Path) -> None:
    data = read_touchstone(write(tmp_path, HEAD + "800 1.5 0\n810 .5 0\n820 1.01 0\n"))
    (told,) = data.warnings
    assert "not passive" in told
    assert "2.25 times" in told
    assert "800 MHz" in told
    assert "1 of 3" in told


REFUSED = [
    ("", "a.s1p", "found an empty file; expected a Touchstone file"),
    (" \n\n", "a.s1p", "an empty file"),
    (HEAD, "a.s1p", "found no data; expected rows of numbers"),
    ("hello\n", "a.s1p", 'line 1: found no Touchstone data ("hello"); expected numbers'),
    (b"\x89PNG\0\0\0", "a.s1p", "no Touchstone data (binary)"),
    (HEAD + "800 0 0\n", "a.csv", 'no Touchstone data (suffix ".csv")'),
    (HEAD + "800 0 0 0\n", "a.s1p", "line 2: found 4 numbers a row; expected 3, of 1 port"),
    (HEAD + "800 0 0\n", "a.s2p", "line 2: found 3 numbers a row; expected 9, of 2 ports"),
    (HEAD + "800 0 0 0 0 0 0 0 0\n", "a.s1p", "line 2: found 9 numbers a row; expected 3"),
    (HEAD + "800 1 0 0 0\n 0 0 0 0\n", "a.s3p", "line 2: found 9 numbers; expected 19"),
    ("# furlong S RI R 50\n800 0 0\n", "a.s1p", 'line 1: found "furlong"; expected an option'),
    ("# MHz S XY R 50\n800 0 0\n", "a.s1p", 'line 1: found "XY"; expected an option line'),
    ("# MHz Y RI R 50\n800 0 0\n", "a.s1p", "line 1: found parameters Y; expected scattering"),
    ("# MHz S RI R -50\n800 0 0\n", "a.s1p", "line 1: found R -50; expected R and a reference"),
    (HEAD + "800 0 0\n810 nan 0\n", "a.s1p", "line 3: found NaN or infinity (nan)"),
    (HEAD + "800 0 0\n810 0 inf\n", "a.s1p", "line 3: found NaN or infinity (inf)"),
    (HEAD + "nan 0 0\n810 0 0\n", "a.s1p", "line 2: found NaN or infinity (nan)"),
    (HEAD + "800 0 0\n790 0 0\n", "a.s1p", "line 3: found frequency 790 after 800; expected incr"),
    (HEAD + "800 0 0\n800 0 0\n", "a.s1p", "line 3: found frequency 800 after 800; expected incr"),
    (HEAD + "-800 0 0\n800 0 0\n", "a.s1p", "found -800000000 Hz; expected frequencies of 0"),
    (
        "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 2\n[Network Data]\n8e8 .5 0\n[End]\n",
        "a.s1p",
        "line 3: found 2 ports; expected 1, as the suffix says",
    ),
    (
        "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 1\n[Number of Frequencies] 2\n"
        "[Network Data]\n8e8 .5 0\n7e8 .5 0\n[End]\n",
        "a.ts",
        "after 800000000 Hz; expected increasing",
    ),
]


@pytest.mark.parametrize(("text", "name", "words"), REFUSED)
def test_one_line_for_what_is_no_measurement(
    text: str | bytes, name: str, words: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as caught:
        read_touchstone(write(tmp_path, text, name))
    told = str(caught.value)
    assert told.startswith(f"{name}: ")
    assert words in told
    assert "expected" in told
    assert "\n" not in told
    assert str(tmp_path) not in told


def test_wrong_count_of_ports_folder_and_absence(tmp_path: Path) -> None:
    place = write(tmp_path, HEAD + "800 0 0\n")
    with pytest.raises(InputError, match=r"wafer.s1p: found 1 port; expected 2, as the device"):
        read_touchstone(place, ports=2)
    with pytest.raises(InputError, match=r"none.s1p: found no such file"):
        read_touchstone(tmp_path / "none.s1p")
    (tmp_path / "dir.s1p").mkdir()
    with pytest.raises(InputError, match=r"dir.s1p: found a folder"):
        read_touchstone(tmp_path / "dir.s1p")


def test_too_large_a_file_is_not_read(tmp_path: Path) -> None:
    place = tmp_path / "huge.s1p"
    with place.open("wb") as stream:
        stream.truncate(MOST_BYTES + 1)
    with pytest.raises(InputError, match=r"huge.s1p: found 32 MB; expected at most 32 MB"):
        read_touchstone(place)
