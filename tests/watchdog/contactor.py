"""A contactor with feedback on a socket, as small as the safing plan needs it."""

import socketserver


class Contactor(socketserver.ThreadingTCPServer):
    """Answers over a socket as the plan expects; ``stuck``: it never opens."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Talk)
        self.closed, self.stuck = True, False
        self.heard: list[str] = []


class _Talk(socketserver.StreamRequestHandler):
    server: Contactor

    def handle(self) -> None:
        """One line, one step action or one answer."""
        for raw in self.rfile:
            line = raw.decode("ascii").strip()
            self.server.heard.append(line)
            if line == "open" and not self.server.stuck:
                self.server.closed = False
            elif line == "who?":
                self.wfile.write(b"a contactor\n")
            elif line == "state?":
                self.wfile.write(b"closed\n" if self.server.closed else b"open\n")
