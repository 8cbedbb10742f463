/* Short tones for heard, refused, attention and stop. Browsers allow sound only after a first key or touch. */

const TONES = {
  heard: [[880, 0, 0.09], [1320, 0.09, 0.12]],
  refused: [[196, 0, 0.18], [147, 0.22, 0.3]],
  attention: [[587, 0, 0.12], [587, 0.2, 0.12]],
  stop: [[247, 0, 0.3], [185, 0.34, 0.3], [247, 0.68, 0.3], [185, 1.02, 0.4]],
};
const SHAKES = { heard: [40], refused: [200, 80, 200], attention: [80, 80, 80], stop: [400, 100, 400, 100, 400] };
let audio = null;

function wake() {
  const Audio = window.AudioContext;
  if (!audio && Audio) audio = new Audio();
  if (audio?.state === "suspended") audio.resume();
}

function tone([hertz, after, long]) {
  const start = audio.currentTime + after;
  const source = audio.createOscillator();
  const volume = audio.createGain();
  source.frequency.value = hertz;
  source.type = "triangle";
  volume.gain.setValueAtTime(0.0001, start);
  volume.gain.exponentialRampToValueAtTime(0.35, start + 0.01);
  volume.gain.exponentialRampToValueAtTime(0.0001, start + long);
  source.connect(volume).connect(audio.destination);
  source.start(start);
  source.stop(start + long);
}

export function sound(kind) {
  navigator.vibrate?.(SHAKES[kind] ?? []);
  if (audio) (TONES[kind] ?? []).forEach(tone);
}

for (const gesture of ["pointerdown", "keydown"]) document.addEventListener(gesture, wake, { passive: true });
