// Fingers, mouse and keys on the picture: tap, drag, pinch, wheel, arrows. A finger held still aims: what lies under it
// is shown enlarged, it may slide to the place meant, and lifting it taps there.
const STILL = 7, FINGER_STILL = 12, GRIP = 26, HOLD_MS = 350;

export function handle(viewer, told) {
  const canvas = viewer.canvas, down = new Map();
  let start = null, grip = null, moved = false, spread = 0, aims = false, held = 0;
  const at = (event) => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  const rest = () => { clearTimeout(held); aims = false; };

  canvas.addEventListener('pointerdown', (event) => {
    canvas.setPointerCapture(event.pointerId);
    down.set(event.pointerId, at(event));
    if (aims) told.hover(null);
    rest();
    if (down.size > 1) { grip = null; moved = true; spread = distance([...down.values()]); return; }
    start = at(event); moved = false;
    grip = told.grip(start, GRIP);
    const finger = event.pointerType !== 'mouse';
    if (finger && grip === null && told.marks()) held = setTimeout(() => { aims = true; told.hover(viewer.pixel(start)); }, HOLD_MS);
  });

  canvas.addEventListener('pointermove', (event) => {
    if (!down.has(event.pointerId)) { if (event.pointerType === 'mouse') told.hover(viewer.pixel(at(event))); return; }
    const before = down.get(event.pointerId), now = at(event);
    down.set(event.pointerId, now);
    if (down.size > 1) { pinch(before, now); return; }
    if (aims) { told.hover(viewer.pixel(now)); return; }
    const still = event.pointerType === 'mouse' ? STILL : FINGER_STILL;
    if (!moved && Math.hypot(now[0] - start[0], now[1] - start[1]) < still) return;
    rest();
    moved = true;
    if (grip !== null) told.drag(grip, viewer.pixel(now));
    else viewer.pan(now[0] - before[0], now[1] - before[1]);
  });

  function pinch(before, now) {
    const places = [...down.values()], wide = distance(places);
    const middle = [(places[0][0] + places[1][0]) / 2, (places[0][1] + places[1][1]) / 2];
    viewer.pan((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
    if (spread > 0 && wide > 0) viewer.zoom(wide / spread, middle);
    spread = wide;
  }

  canvas.addEventListener('pointerup', (event) => {
    const alone = down.size === 1;
    rest();
    down.delete(event.pointerId);
    if (!alone) return;
    if (grip !== null && moved) told.drop(grip, viewer.pixel(at(event)));
    else if (!moved) told.tap(viewer.pixel(at(event)), at(event));
    grip = null;
  });
  canvas.addEventListener('pointerleave', (event) => event.pointerType === 'mouse' && !down.size && told.hover(null));
  canvas.addEventListener('pointercancel', (event) => { rest(); down.delete(event.pointerId); grip = null; });
  canvas.addEventListener('wheel', (event) => {
    event.preventDefault();
    viewer.zoom(Math.exp(-Math.max(-200, Math.min(200, event.deltaY)) / 300), at(event));
  }, { passive: false });

  canvas.addEventListener('keydown', (event) => {
    const step = event.shiftKey ? 4 : 60;
    const keys = {
      ArrowLeft: () => viewer.pan(step, 0), ArrowRight: () => viewer.pan(-step, 0),
      ArrowUp: () => viewer.pan(0, step), ArrowDown: () => viewer.pan(0, -step),
      '+': () => viewer.zoom(1.4), '=': () => viewer.zoom(1.4), '-': () => viewer.zoom(1 / 1.4), 0: () => viewer.fit(),
      ' ': () => told.tap(viewer.pixel([viewer.width / 2, viewer.height / 2]), [viewer.width / 2, viewer.height / 2]),
      Enter: told.finish, Escape: told.stop, Backspace: told.back, Delete: told.remove,
    };
    if (event.ctrlKey || event.metaKey || !keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
  });
}

const distance = (places) => Math.hypot(places[0][0] - places[1][0], places[0][1] - places[1][1]);
