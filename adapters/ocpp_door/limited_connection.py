"""End a connection that floods: only equipment that was let in could."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import structlog
from typing_extensions import override
from websockets.asyncio.server import ServerConnection
from websockets.frames import Frame, Opcode

if TYPE_CHECKING:
    from websockets.protocol import Event

MOST_FRAMES_A_SECOND: Final = 500
"""Equipment sends one message, waits for its answer, and sends the next."""
MOST_FRAGMENTS: Final = 1000
MOST_UNREAD_BYTES: Final = 2**18
"""What equipment may leave unread of the answers to its messages and pings."""
ENDS_SECONDS: Final = 2.0

_log = structlog.get_logger(__name__)


class LimitedConnection(ServerConnection):
    """A connection that ends if it sends too fast, too many fragments, or reads no answers."""

    def __init__(self, *arguments: Any, **options: Any) -> None:  # noqa: ANN401 - the package's own
        super().__init__(*arguments, **options)
        self._second = 0.0
        self._frames = 0
        self._fragments = 0
        self._is_ending = False

    @override
    def data_received(self, data: bytes) -> None:
        """Handle data; if the connection is to end now, wait for the other side only so long."""
        super().data_received(data)
        if self.protocol.close_expected() and not self._is_ending:
            self._is_ending = True
            self.loop.call_later(ENDS_SECONDS, self.transport.abort)

    @override
    def process_event(self, event: Event) -> None:
        """Handle a frame, unless it is one too many."""
        super().process_event(event)
        if not isinstance(event, Frame):
            return
        now = self.loop.time()
        if now >= self._second + 1:
            self._second, self._frames = now, 0
        self._frames += 1
        if event.opcode in {Opcode.TEXT, Opcode.BINARY}:
            self._fragments = 0
        elif event.opcode is Opcode.CONT:
            self._fragments += 1
        is_flood = (
            self._frames > MOST_FRAMES_A_SECOND
            or self._fragments > MOST_FRAGMENTS
            or self.transport.get_write_buffer_size() > MOST_UNREAD_BYTES
        )
        if is_flood and not self.transport.is_closing():
            _log.warning("equipment sends a flood: its connection is closed")
            self.transport.abort()
