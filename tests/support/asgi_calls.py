"""Raw ASGI calls: what a server would hand on of a browser's, or somebody else's, request."""

import asyncio


class Inside:
    """The application behind the guard; remembers what it was asked."""

    def __init__(self):
        self.asked = []

    async def __call__(self, scope, receive, send):
        self.asked.append(scope)
        if scope["type"] == "lifespan":
            return
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            return
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"inside"})


def ask(application, path="/", *, method="GET", headers=(), query="", kind="http", extensions=None):
    """One request; returns the messages that were sent."""
    sent = []
    scope = {
        "type": kind,
        "path": path,
        "query_string": query.encode(),
        "headers": [(name.lower().encode(), value.encode()) for name, value in headers],
        "extensions": extensions or {},
    }
    if kind == "http":
        scope["method"] = method

    async def receive():
        return {"type": f"{kind}.request", "body": b"", "more_body": False}

    async def send(message):
        sent.append(message)

    asyncio.run(application(scope, receive, send))
    return sent


def status(sent):
    return sent[0].get("status")


def header(sent, name):
    return next((value.decode() for key, value in sent[0]["headers"] if key == name.encode()), None)


def body(sent):
    return b"".join(message.get("body", b"") for message in sent).decode()
