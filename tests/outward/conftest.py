"""The running service is made as in the tests of the service."""

from service.conftest import make_daemon

__all__ = ["make_daemon"]
