// What the browser does by itself: sounds, and saying that the program does not answer.
(() => {
  let audio = null;
  const wake = () => {
    // Browsers let a page sound only after the person has done something on it.
    audio ??= new (window.AudioContext || window.webkitAudioContext)();
    if (audio.state === "suspended") audio.resume();
  };
  for (const kind of ["pointerdown", "keydown"]) window.addEventListener(kind, wake, { passive: true });

  const tone = (hertz, start, length) => {
    const source = audio.createOscillator();
    const level = audio.createGain();
    source.frequency.value = hertz;
    source.connect(level).connect(audio.destination);
    const begin = audio.currentTime + start;
    level.gain.setValueAtTime(0.0001, begin);
    level.gain.exponentialRampToValueAtTime(0.2, begin + 0.02);
    level.gain.exponentialRampToValueAtTime(0.0001, begin + length);
    source.start(begin);
    source.stop(begin + length + 0.02);
  };

  const lost = (isLost) => {
    const band = document.getElementById("connection-lost");
    if (band) band.hidden = !isLost;
    // A STOP that reaches nothing must not look as if it did.
    for (const stop of document.querySelectorAll(".button.stop")) stop.disabled = isLost;
  };

  const watch = () => {
    if (!window.socket) return void setTimeout(watch, 100);
    let timer = null;
    window.socket.on("disconnect", () => {
      // The way to the next view is no loss.
      timer = setTimeout(() => lost(true), 1500);
    });
    window.socket.on("connect", () => {
      clearTimeout(timer);
      lost(false);
    });
  };
  watch();

  window.twonodePage = {
    sounds: 0,
    sound(kind) {
      this.sounds += 1;
      this.last = kind;
      try {
        wake();
        if (kind === "done") [660, 880].forEach((hertz, place) => tone(hertz, place * 0.16, 0.2));
        else [330, 220, 330, 220].forEach((hertz, place) => tone(hertz, place * 0.22, 0.2));
      } catch (error) {
        console.warn("no sound", error);
      }
    },
    theme(name) {
      if (name === "auto") delete document.documentElement.dataset.theme;
      else document.documentElement.dataset.theme = name;
    },
  };
})();

// Esc is STOP wherever STOP is on the screen.
window.addEventListener("keydown", (event) => {
  if (event.key === "Escape") document.querySelector(".button.stop:not([disabled])")?.click();
});
