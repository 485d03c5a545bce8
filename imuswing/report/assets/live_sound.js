// One sound a shot on the live page, once everything is slow again: nothing sounds during a swing.
"use strict";
const liveSound = (() => {
  const QUIET_DPS = 60;
  const LONGEST_WAIT_MS = 3000;
  // Start and length in s, pitch in Hz: told apart by number, direction and length, not by pitch alone.
  const TUNES = {
    turning: [[0, 660, 0.16], [0.17, 990, 0.24]],
    slowing: [[0, 520, 0.16], [0.22, 520, 0.16]],
    stalled: [[0, 196, 0.6]],
  };
  let audio = null;
  let asked = null;

  // Browsers want a touch before the first sound.
  function wake() {
    audio ??= new AudioContext();
    audio.resume();
  }

  function tone(start, pitch, lasts) {
    const voice = audio.createOscillator();
    const loudness = audio.createGain();
    voice.frequency.value = pitch;
    loudness.gain.setValueAtTime(0.0001, start);
    loudness.gain.exponentialRampToValueAtTime(0.3, start + 0.02);
    loudness.gain.exponentialRampToValueAtTime(0.0001, start + lasts);
    voice.connect(loudness).connect(audio.destination);
    voice.start(start);
    voice.stop(start + lasts);
  }

  function play(verdict, after = 0) {
    wake();
    for (const [start, pitch, lasts] of TUNES[verdict] ?? []) tone(audio.currentTime + after + start, pitch, lasts);
    const root = document.documentElement;
    root.dataset.sounded = [root.dataset.sounded, verdict].filter(Boolean).join(" ");
  }

  const ask = (verdict) => (asked = { verdict, until: performance.now() + LONGEST_WAIT_MS });

  function whenQuiet(turningDps, allowed) {
    if (!asked || (turningDps > QUIET_DPS && performance.now() < asked.until)) return;
    if (allowed) play(asked.verdict);
    asked = null;
  }

  return { ask, play, wake, whenQuiet };
})();
