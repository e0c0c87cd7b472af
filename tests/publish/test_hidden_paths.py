"""A run's own paths do not stand in what is published, and nothing else is taken for one."""

import pytest

from kit.publish.notebook import _output

PICTURE = "data:image/png;base64,AA+/p/BB//p/CC/p=="


@pytest.mark.parametrize(
    ("folder", "said", "shown"),
    [
        ("/p", "<p>read /p/logs</p>", "<p>read ../../logs</p>"),
        ("/p", PICTURE, PICTURE),
        ("/t", "text/t and <t>/t</t>", "text/t and <t>../..</t>"),
        ("/run", "/run, /run-2, /running, '/run'", "../.., /run-2, /running, '../..'"),
        ("/a/run", "file:///a/run/x\n/a/run: bad", "file://../../x\n../..: bad"),
        ("/a/b.c", "/a/b.c/ /a/bxc/", "../../ /a/bxc/"),
        ("C:\\run", "in C:\\run\\logs", "in ../..\\logs"),
    ],
)
def test_a_path_is_replaced_where_it_stands_as_one(folder, said, shown):
    output = {"output_type": "display_data", "data": {"text/html": said, "text/plain": [said]}}
    found = _output(output, {folder: "../.."})
    assert found["data"] == {"text/html": shown, "text/plain": [shown]}
