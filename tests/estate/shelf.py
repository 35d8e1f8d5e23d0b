"""A small object store on loopback that can break, and how fsspec reaches it: shelf://127.0.0.1:PORT/key.

It speaks HTTP with whole objects: GET, HEAD, PUT and DELETE of a key, and GET /?list=PREFIX. It stands in for
the storages whose packages the tests do not install.
"""

from __future__ import annotations

import hashlib
import http.client
import json
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import quote, unquote

import fsspec
from fsspec.spec import AbstractFileSystem

WAIT_S = 10.0


def do_nothing(method: str, key: str) -> None:
    pass


class Shelf(ThreadingHTTPServer):
    """Objects by key. `break_at` requests from now the connection breaks in the middle of a body."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.objects: dict[str, bytes] = {}
        self.asked: list[tuple[str, str]] = []
        self.break_at: int | None = None
        self.refuse = 0  # status of HTTP that every request gets
        self.before = do_nothing  # called with method and key before a request is answered

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.server_port}"

    def handle_error(self, request, client_address) -> None:
        """Say nothing of connections that tests break."""


class Handler(BaseHTTPRequestHandler):
    server: Shelf

    def log_message(self, *given) -> None:
        pass

    def begin(self) -> str | None:
        """Give the key that is asked for; None if the request was dealt with, as a fault wants it."""
        shelf, key = self.server, unquote(self.path.lstrip("/"))
        shelf.before(self.command, key)
        shelf.asked.append((self.command, key))
        if shelf.refuse:
            self.answer(shelf.refuse)
            return None
        if shelf.break_at is not None:
            shelf.break_at -= 1
            if shelf.break_at < 0:
                self.break_off(key)
                return None
        return key

    def break_off(self, key: str) -> None:
        body = self.server.objects.get(key, b"")
        self.send_response(200)
        self.send_header("Content-Length", str(len(body) + 1))
        self.end_headers()
        self.wfile.write(body[: len(body) // 2])
        self.close_connection = True

    def answer(self, status: int, body: bytes = b"", **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def do_GET(self) -> None:
        key = self.begin()
        if key is None:
            return
        objects = self.server.objects
        if key.startswith("?list="):
            prefix = key.removeprefix("?list=").rstrip("/") + "/"
            found = {one: describe(body) for one, body in sorted(objects.items()) if one.startswith(prefix)}
            self.answer(200, json.dumps(found).encode())
        elif key in objects:
            self.answer(200, objects[key], ETag=describe(objects[key])["ETag"])
        else:
            self.answer(404)

    do_HEAD = do_GET  # noqa: N815

    def do_PUT(self) -> None:
        key = self.begin()
        if key is not None:
            self.server.objects[key] = self.rfile.read(int(self.headers["Content-Length"]))
            self.answer(200)

    def do_DELETE(self) -> None:
        key = self.begin()
        if key is not None:
            self.answer(200 if self.server.objects.pop(key, None) is not None else 404)


def describe(body: bytes) -> dict[str, object]:
    return {"size": len(body), "ETag": hashlib.sha256(body).hexdigest(), "type": "file"}


class ShelfStorage(AbstractFileSystem):
    """Only what vinemap asks of a storage."""

    protocol = "shelf"
    cachable = False

    def ask(
        self, method: str, path: str, body: bytes | None = None
    ) -> tuple[bytes, http.client.HTTPResponse]:
        host, _, key = path.partition("/")
        line = http.client.HTTPConnection(host, timeout=WAIT_S)
        try:
            line.request(method, "/" + quote(key, safe="/?="), body)
            answer = line.getresponse()
            content = answer.read()
        finally:
            line.close()
        if answer.status in (403, 404):
            raise {403: PermissionError, 404: FileNotFoundError}[answer.status](path)
        return content, answer

    def find(self, path, detail=False):
        host, _, key = path.partition("/")
        listed = json.loads(self.ask("GET", f"{host}/?list={key}")[0])
        found = {f"{host}/{name}": {"name": f"{host}/{name}", **info} for name, info in listed.items()}
        return found if detail else list(found)

    def info(self, path):
        answer = self.ask("HEAD", path)[1]
        return {"name": path, "size": int(answer.headers["Content-Length"]), "type": "file"}

    def get_file(self, rpath, lpath):
        with open(lpath, "wb") as out:  # noqa: PTH123
            out.write(self.ask("GET", rpath)[0])

    def cat_file(self, path):
        return self.ask("GET", path)[0]

    def put_file(self, lpath, rpath):
        with open(lpath, "rb") as source:  # noqa: PTH123
            self.pipe_file(rpath, source.read())

    def pipe_file(self, path, value):
        self.ask("PUT", path, value)

    def rm_file(self, path):
        self.ask("DELETE", path)


@contextmanager
def open_shelf():
    """Give a running shelf; it ends with the block."""
    fsspec.register_implementation("shelf", ShelfStorage, clobber=True)
    with Shelf() as shelf:
        thread = threading.Thread(target=shelf.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        thread.start()
        try:
            yield shelf
        finally:
            shelf.shutdown()
            thread.join(WAIT_S)
