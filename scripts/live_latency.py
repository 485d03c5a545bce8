"""From impact to the painted verdict: `python scripts/live_latency.py [--shots 210] [--speed 3]`.

A simulated lesson (three sensors at 200 Hz) is played through the live engine while headless Chromium shows the live
page. Two parts are added for each shot: from impact until the engine publishes the verdict, as it would be at speed 1
(`Shot.shown_after_s`: the swing that must be seen after the ball, waiting for samples, computing), and from there until
the browser has painted the word (both read the same computer's clock). Needs the extra `live`, playwright and Chromium.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from imuswing.live.hub import Hub
from imuswing.live.model import Session
from imuswing.live.page import serve
from imuswing.live.replay import Replay
from imuswing.live.session import Live
from imuswing.recording.dataset import add_participant, start_dataset
from imuswing.simulate.lesson import simulate_recording

WATCH = """
window.painted = {};
addEventListener("DOMContentLoaded", () => {
  new MutationObserver(() => {
    const number = document.getElementById("verdict").dataset.shot;
    if (number === undefined || number in window.painted) return;
    window.painted[number] = null;
    // The frame after the next one begins when the word has been painted.
    requestAnimationFrame(() => requestAnimationFrame(() => {
      window.painted[number] = performance.timeOrigin + performance.now();
    }));
  }).observe(document.getElementById("verdict"), { attributes: true });
});
"""


def main() -> None:
    """Play, watch, and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shots", type=int, default=210)
    parser.add_argument("--speed", type=float, default=3.0)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--json", type=Path, default=None, help="also write the figures to this file")
    args = parser.parse_args()
    recording, truth = simulate_recording(seed=args.seed, shots=args.shots, rate=200.0, preset="realistic")
    hub = Hub()
    published: dict[int, tuple[float, float]] = {}

    def sink(text: str) -> None:
        message = json.loads(text)
        if message["type"] == "shot" and not message["revised"] and message["shown_after_s"] is not None:
            published.setdefault(message["number"], (1000.0 * time.time(), 1000.0 * message["shown_after_s"]))

    with tempfile.TemporaryDirectory(prefix="imuswing-latency-") as folder:
        dataset = Path(folder) / "dataset"
        start_dataset(dataset, name="Latency", description="Simulated", simulated=True)
        add_participant(dataset, participant="S001", lead_side=recording.lead_side)
        session = Session(participant="S001", session="01", task="chip", lead_side=recording.lead_side, simulated=True)
        live = Live(dataset, session, Replay(recording, speed=args.speed), hub=hub)
        hub.attach(sink)
        with serve(hub) as served, sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
            )
            page = browser.new_page(viewport={"width": 390, "height": 844})
            page.add_init_script(WATCH)
            runner = threading.Thread(target=live.run)
            runner.start()
            time.sleep(0.5)
            page.goto(served.url)
            page.click("#go")
            page.click("nav [data-view=shots]")
            while runner.is_alive():
                page.wait_for_timeout(500)
            page.wait_for_timeout(500)
            painted = {int(number): at for number, at in page.evaluate("window.painted").items() if at is not None}
            browser.close()
    told = sorted(set(published) & set(painted))
    engine = np.array([published[number][1] for number in told])
    browser_ms = np.array([painted[number] - published[number][0] for number in told])
    figures = {
        "true shots and practice swings": len(truth.swings),
        "verdicts published": len(published),
        "painted": len(told),
        "speed": args.speed,
        "engine_ms": _quantiles(engine),
        "page_ms": _quantiles(browser_ms),
        "impact_to_paint_ms": _quantiles(engine + browser_ms),
    }
    print(json.dumps(figures, indent=1))
    if args.json is not None:
        args.json.write_text(json.dumps(figures, indent=1), encoding="utf-8")


def _quantiles(values: np.ndarray) -> dict[str, float]:
    shares = {"median": 0.5, "p95": 0.95, "p99": 0.99, "largest": 1.0}
    return {name: round(float(np.quantile(values, share)), 1) for name, share in shares.items()}


if __name__ == "__main__":
    main()
