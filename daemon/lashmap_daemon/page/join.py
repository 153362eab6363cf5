"""A test or a service opens its page: one call; what serves it is imported only then."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from lashmap_daemon.errors import ConfigurationError, StandError

if TYPE_CHECKING:
    from lashmap_daemon.page.stand_page import StandPage
    from lashmap_daemon.setup.page_table import PageTable

_NEEDED = {"starlette", "uvicorn", "h11", "anyio", "prometheus_client", "tsdownsample"}


def open_page(table: PageTable, stand: str, stack: ExitStack) -> StandPage:
    """Serve the page of a stand until ``stack`` is closed.

    Raises:
        ConfigurationError: When its packages are not installed, its place is taken, or its files do not fit.
        StandError: When it does not come up.
    """
    with needed_packages():
        # Half a second that only a page pays, and packages that only it needs.
        from lashmap_daemon.page.stand_page import PageEnded, StandPage  # noqa: PLC0415 - optional and slow
    try:
        return stack.enter_context(StandPage(table, stand))
    except PageEnded as error:
        raise StandError(f"the page did not come up: {error}") from None


@contextmanager
def needed_packages() -> Iterator[None]:
    """What is imported here may want packages that a page alone needs.

    Raises:
        ConfigurationError: When they are not installed.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        if package not in _NEEDED:
            raise
        problem = f"needs {package}, which is not installed; run: pip install 'lashmap[page]'"
        raise ConfigurationError("page", [problem]) from None
