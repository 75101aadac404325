"""What the peers that drive a page in headless Chromium share: the browser, one tab over the DevTools protocol, and the
talk with the test that runs them.

What the test has to do in between is printed as a line `do WORD` and answered with a line on standard input. The last
line is JSON.
"""
import base64, json, os, subprocess, sys, tempfile, time

import websocket

TILE = "document.querySelector('[data-channel=\"%s\"]')"


def do(word):
    print("do", word, flush=True)
    answer = sys.stdin.readline().strip()
    assert answer.startswith("done"), f"{word}: {answer!r}"
    return answer.removeprefix("done").strip()


class Page:
    """A browser with one tab. Screenshots are left in a directory."""

    def __init__(self, chromium, directory):
        os.makedirs(directory, exist_ok=True)
        self.directory = directory
        self.profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self.browser = subprocess.Popen(
            [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-dev-shm-usage", "--remote-debugging-port=0",
             f"--user-data-dir={self.profile.name}", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            self.connect()
        except BaseException:
            self.close()
            raise

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def close(self):
        self.browser.terminate()
        self.browser.wait()

    def connect(self):
        path, end = os.path.join(self.profile.name, "DevToolsActivePort"), time.time() + 60
        while not (os.path.exists(path) and len(open(path).read().split()) == 2):
            assert time.time() < end and self.browser.poll() is None, "the browser does not start"
            time.sleep(0.05)
        port, endpoint = open(path).read().split()
        self.socket = websocket.create_connection(f"ws://127.0.0.1:{port}{endpoint}", suppress_origin=True, timeout=60)
        self.number, self.session, self.complaints = 0, None, []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method, **params):
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        self.socket.send(json.dumps(message))
        while True:
            answer = json.loads(self.socket.recv())
            if answer.get("id") == self.number:
                assert "error" not in answer, answer
                return answer["result"]
            self.note(answer)

    def note(self, event):
        if event.get("method") == "Runtime.exceptionThrown":
            self.complaints.append(event["params"]["exceptionDetails"].get("exception", {}).get("description", "?"))
        entry = event.get("params", {}).get("entry", {})
        # A connection that is lost on purpose is logged by the browser as a network error.
        if event.get("method") == "Log.entryAdded" and entry["level"] == "error" and entry["source"] != "network":
            self.complaints.append(entry["text"])

    def value(self, expression):
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def wait(self, expression, seconds=30):
        end = time.time() + seconds
        while not (found := self.value(expression)):
            if time.time() > end:
                self.shot("gave-up")
                raise SystemExit(f"waited in vain for {expression}\n{self.value('document.body.innerText')}")
            time.sleep(0.1)
        return found

    def size(self, width, height, dark):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 1000)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])
        time.sleep(0.3)

    def shot(self, name):
        image = self.call("Page.captureScreenshot", format="png")["data"]
        with open(os.path.join(self.directory, name + ".png"), "wb") as file:
            file.write(base64.b64decode(image))
