"""A batch that is killed (signal 9) at random moments: nothing half can be seen, and it ends with the bytes of one that was not.

Five kills here; `python -m tests.soak` makes fifty, with pages as well.
"""

from __future__ import annotations

from tests.batch_tools import copies
from tests.soak import soak


def test_a_batch_that_is_killed_again_and_again_ends_the_same(tmp_path):
    told = soak(copies(tmp_path, 24), tmp_path, 5, rendered=False, seed=8)
    assert sum(told.kills.values()) >= 5
    assert told.looked_at > 0
