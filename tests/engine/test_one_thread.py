"""Linear algebra on one thread while somebody asks for it, and as before afterwards."""

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from fetsim.engine.one_thread import one_thread


def threads():
    return {library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"}


def test_it_is_as_before_afterwards_after_an_error_too():
    with threadpool_limits(2, "blas"):
        with one_thread():
            assert threads() == {1}
        assert threads() == {2}
        with pytest.raises(ZeroDivisionError), one_thread():
            1 / 0  # noqa: B018
        assert threads() == {2}
