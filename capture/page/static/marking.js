// Step 3: the photo with its marks; taps become features.
import { get } from './ask.js';
import { button, el, typed, typing, unitWord } from './build.js';
import { handle } from './hands.js';
import { listing } from './listing.js';
import { drawMarks, drawNames } from './overlay.js';
import { tagAt } from './tags.js';
import { Viewer } from './viewer.js';

const KINDS = [
  ['look', 'Look', 0, 'Tap a feature to see it. Drag to move, wheel or pinch to zoom.'],
  ['line', 'Edge', 2, 'Tap two points on one straight edge.'],
  ['arc', 'Arc', 3, 'Tap three points along one arc.'],
  ['circle', 'Hole', 1, 'Tap in a round hole.'],
  ['slot', 'Slot', 1, 'Tap in the middle of a slot.'],
  ['path', 'Path', Infinity, 'Tap along the edge, then Finish (Enter). Backspace takes the last point away.'],
];
const GLASS_SCALE = 5, LEAST_GRIP = 6, TWICE_MS = 400, TWICE_PX = 14, FINGERS = matchMedia('(pointer: coarse)');

export class Marking {
  constructor(store) {
    this.store = store;
    this.kind = 'look'; this.taps = []; this.marks = []; this.selected = null; this.piece = null; this.dragged = null; this.moving = null;
    this.view = 'raw'; this.photo = 0; this.pair = null; this.spot = null; this.aim = null; this.tags = []; this.covered = [];
    this.canvas = el('canvas', { class: 'view', tabIndex: 0, role: 'application', 'aria-label': 'Photo. Arrow keys move, plus and minus zoom, space taps the middle, Enter finishes, Delete removes.' });
    this.glass = el('canvas', { class: 'glass', role: 'img', 'aria-label': 'Enlarged: dots are the edge that was taken, dashes the other one' });
    this.lens = el('figure', { class: 'lens', hidden: true }, this.glass, el('figcaption', {}, ''));
    this.hint = el('p', { class: 'hint' });
    this.about = el('input', { id: 'about', inputMode: 'decimal', autocomplete: 'off' });
    this.rough = el('label', { class: 'rough' }, el('span', {}, ''), this.about); // a hole that is hard to see is found by its rough size
    this.kinds = el('div', { class: 'kinds', role: 'toolbar', 'aria-label': 'What to mark' });
    this.zoom = el('div', { class: 'zoom', role: 'toolbar', 'aria-label': 'View' });
    this.side = el('aside', { 'aria-label': 'What was found' });
    this.viewer = new Viewer(this.canvas, (context, place, scale) => this.drawOver(context, place, scale));
    this.viewer.came = () => this.showGlass();
    handle(this.viewer, {
      grip: (at, reach) => this.grip(at, reach), drag: (i, p) => this.drag(i, p), drop: (i, p) => this.drop(i, p),
      tap: (p, at) => this.tap(p, at), hover: (p) => this.hover(p), marks: () => this.kind !== 'look' || this.moving !== null, finish: () => this.finish(), stop: () => this.stop(),
      back: () => { this.taps.pop(); this.show(); }, remove: () => this.remove(),
    });
    this.canvas.addEventListener('focus', () => this.viewer.draw());
    this.canvas.addEventListener('blur', () => this.viewer.draw());
    this.foot = el('div', { class: 'foot' }, this.hint, this.zoom);
    new ResizeObserver(() => this.findCovered()).observe(this.foot);
    this.box = el('div', { class: 'bench' }, el('div', { class: 'stage' }, this.canvas, this.kinds, this.foot, this.lens), this.side);
  }

  drawing(cross) {
    return { marks: this.marks, selected: this.selected, piece: this.piece, taps: this.taps, dragged: this.dragged, moving: this.moving, cross };
  }

  drawOver(context, place, scale) {
    const { width, height } = this.viewer, middle = this.canvas.matches(':focus-visible') ? [width / 2, height / 2] : null;
    drawMarks(context, place, scale, this.drawing(middle));
    this.tags = drawNames(context, place, this.drawing(), this.covered, [width, height]);
  }

  // Boxes in the picture that buttons and words lie over.
  findCovered() {
    const { left, top } = this.canvas.getBoundingClientRect();
    const over = [...this.kinds.children, ...this.foot.querySelectorAll('p:not(:empty), button, select'), ...(this.lens.hidden ? [] : [this.lens])];
    this.covered = over.map((item) => item.getBoundingClientRect()).map((box) => [box.left - left, box.top - top, box.right - left, box.bottom - top]);
  }

  get chosen() { return this.marks.find((mark) => mark.name === this.selected); }

  // The picture of the chosen photo, and what is drawn on it.
  async load() {
    const photos = this.store.state.photos;
    this.photo = Math.min(this.photo, photos.length - 1);
    const path = `job/${this.store.job}`;
    const picture = await get(`${path}/picture/${this.photo}/${this.view}`);
    this.viewer.show(picture, `${path}/tile/${this.photo}/${this.view}`);
    const { fault } = await get(`${path}/solved/${this.photo}`);
    if (fault) this.store.tell(fault, true);
    this.show();
  }

  async redraw() {
    const drawn = await get(`job/${this.store.job}/drawn/${this.photo}/${this.view}`);
    this.marks = drawn.marks;
    if (!this.chosen) { this.selected = null; this.moving = null; }
    this.show();
  }

  // Everything anew, once for all that was changed in one go.
  show() {
    if (this.due) return;
    this.due = true;
    queueMicrotask(() => { this.due = false; this.showTools(); this.showList(); this.showGlass(); this.findCovered(); this.viewer.draw(); });
  }

  showTools() {
    const { unit } = this.store.state;
    this.rough.firstChild.textContent = `Rough ${this.kind === 'slot' ? 'width' : 'diameter'}, ${unitWord(unit)}`;
    const kept = this.kinds.contains(document.activeElement) ? document.activeElement.dataset.kind : null;
    const typingHere = this.kinds.contains(this.about) && document.activeElement === this.about;
    if (typingHere && ['circle', 'slot'].includes(this.kind)) { this.hint.textContent = this.advice(); return; }
    this.hint.textContent = this.advice();
    this.kinds.replaceChildren(
      ...KINDS.map(([kind, text]) => button(text, () => this.choose(kind), { 'aria-pressed': String(kind === this.kind), 'data-kind': kind })),
      ['circle', 'slot'].includes(this.kind) ? this.rough : '',
      this.kind === 'path' && this.taps.length > 1 ? button('Finish', () => this.finish(), { class: 'main', 'data-act': 'finish' }) : '',
      this.kind === 'path' && this.taps.length > 2 ? button('Close the ring', () => this.finish(true), { class: 'main', 'data-act': 'close' }) : '',
    );
    if (kept) this.kinds.querySelector(`[data-kind=${kept}]`)?.focus({ preventScroll: true });
    const photos = this.store.state.photos;
    this.zoom.replaceChildren(
      button('+', () => this.viewer.zoom(1.5), { title: 'Nearer', 'aria-label': 'Nearer' }),
      button('−', () => this.viewer.zoom(1 / 1.5), { title: 'Further', 'aria-label': 'Further' }),
      button('Whole', () => this.viewer.fit()),
      button(this.view === 'raw' ? 'Flattened' : 'As shot', () => this.turn(), { 'data-act': 'turn' }),
      photos.length > 1 ? el('select', { 'aria-label': 'Photo', onchange: (event) => { this.photo = Number(event.target.value); this.reload(); } },
        photos.map((photo, i) => el('option', { value: i, selected: i === this.photo }, photo.name))) : '',
    );
  }

  // What to do next, in one line.
  advice() {
    const [, , count, words] = KINDS.find(([kind]) => kind === this.kind);
    if (this.pair) return `${this.pair.word} from ${this.pair.from}: tap the second feature in the list or the picture; of a path, the number of its piece.`;
    if (this.moving !== null) return `Point ${this.moving + 1} of ${this.selected}: tap where it belongs. Escape leaves it.`;
    const hold = FINGERS.matches ? ' Hold still to aim.' : '';
    if (this.kind !== 'look') return this.taps.length && count > 1 && count < 9 ? `${words} ${count - this.taps.length} more.${hold}` : words + hold;
    const found = this.store.results?.features.length ?? 0;
    if (!this.store.busy && !found && this.store.wrong()) return 'Nothing can be measured in this photo; the list says why.';
    if (!this.store.busy && !found) return 'Nothing is marked yet: choose Hole and tap in one, or Edge and tap two points on it.';
    if (!this.selected) return words;
    const drag = this.chosen?.near.length ? 'Drag a square to move that point. ' : '';
    return this.store.results?.dimensions.length ? `${drag}Distance, Angle and Keep add a size.` : 'Your first size: press Distance to … and tap a second feature, or Keep.';
  }

  turn() { this.view = this.view === 'raw' ? 'flat' : 'raw'; this.reload(); }
  reload() { this.taps = []; this.marks = []; this.spot = null; this.moving = null; this.store.guard(async () => { await this.load(); await this.redraw(); }); }

  choose(kind) {
    this.kind = kind; this.taps = []; this.pair = null; this.moving = null; this.aim = null; this.about.value = '';
    this.store.tell('');
    if (kind !== 'look') this.canvas.focus({ preventScroll: true });
    this.show();
  }

  stop() { if (this.moving !== null) { this.moving = null; this.show(); } else this.choose(this.taps.length ? this.kind : 'look'); }

  begin(pair) { this.pair = pair; this.kind = 'look'; this.moving = null; this.taps = []; this.show(); }

  select(name, piece = null) {
    const whole = this.store.results?.features.find((f) => f.name === name)?.pieces.length && !piece;
    if (this.pair && name && !whole) { this.paired(piece ?? name); return; }
    if (name !== this.selected) { this.moving = null; this.spot = null; }
    this.selected = name; this.piece = piece;
    this.show();
  }

  tap(p, at) {
    if (this.moving !== null) { const i = this.moving; this.moving = null; this.drop(i, p); return; }
    if (this.kind === 'look' || this.pair) {
      const tag = tagAt(this.tags, at);
      if (tag?.piece) { this.select(this.selected, tag.piece); return; }
      const name = tag?.name ?? this.nearest(at);
      this.select(name); this.spot = name && p; this.showGlass();
      return;
    }
    if (this.twice(at)) return;
    this.taps.push(p.map((v) => Math.round(v * 100) / 100));
    const [, , count] = KINDS.find(([kind]) => kind === this.kind);
    if (this.taps.length >= count) this.finish(); else this.show();
  }

  // Whether a finger bounced: a second tap at once at the same place means nothing new.
  twice(at) {
    const { when, place } = this.tapped ?? { when: -Infinity, place: at }, now = performance.now();
    this.tapped = { when: now, place: at };
    return now - when < TWICE_MS && Math.hypot(at[0] - place[0], at[1] - place[1]) < TWICE_PX;
  }

  nearest(at) {
    let best = null, least = 26;
    for (const mark of this.marks) {
      for (const p of [...mark.dots, ...(mark.label ? [mark.label] : [])]) { // in the middle of a hole too
        const [x, y] = this.viewer.place(p), away = Math.hypot(x - at[0], y - at[1]);
        if (away < least) { least = away; best = mark.name; }
      }
    }
    return best;
  }

  async finish(closed = false) {
    const taps = this.taps, kind = this.kind;
    const about = ['circle', 'slot'].includes(kind) ? typed(this.about.value.trim(), this.store.state.unit) : null;
    if (kind === 'look' || !taps.length) return;
    this.taps = [];
    const begun = performance.now();
    const kept = await this.store.act('mark', { photo: this.photo, view: this.view, kind, px: taps, closed, about }, (found) => this.found(found, begun));
    if (kept) return;
    if (kind === 'path' && this.kind === kind && !this.taps.length) this.taps = taps; // a long walk is not tapped twice
    this.show();
  }

  // What the server found for one mark: shown at once, before everything else is measured again.
  found(answer, begun) {
    this.marks = [...this.marks.filter((mark) => mark.name !== answer.drawn.name), answer.drawn];
    this.selected = answer.feature.name; this.piece = null; this.aim = null; this.spot = null;
    this.store.first(answer.feature);
    if (answer.warnings.length) this.store.tellFirst(answer.feature.name, answer.warnings.join(' '));
    this.show();
    // Once it is painted: asked for after the picture's own turn, which `show` asks for.
    queueMicrotask(() => requestAnimationFrame(() => { document.body.dataset.tapMs = String(Math.round(performance.now() - begun)); }));
  }

  grip(at, reach) {
    if (!this.chosen || this.taps.length || this.moving !== null) return null;
    const away = this.chosen.near.map((p) => { const [x, y] = this.viewer.place(p); return Math.hypot(x - at[0], y - at[1]); });
    const best = away.indexOf(Math.min(...away));
    return best >= 0 && away[best] < this.ownReach(best, reach) ? best : null;
  }

  // Where way-points stand close together, as along an outline seen whole, a hand that moves the picture takes up none.
  ownReach(i, reach) {
    const places = this.chosen.near.map((p) => this.viewer.place(p));
    const gaps = places.filter((_, k) => k !== i).map(([x, y]) => Math.hypot(x - places[i][0], y - places[i][1]));
    return Math.min(reach, ...gaps.map((gap) => Math.max(gap / 2, LEAST_GRIP)));
  }

  // Takes up a way-point without dragging: the next tap, or space, sets it down.
  grasp() {
    const near = this.chosen?.near ?? [];
    if (!near.length) return;
    this.kind = 'look'; this.pair = null; this.taps = [];
    this.moving = this.moving === null ? 0 : (this.moving + 1) % near.length;
    this.viewer.centre(near[this.moving], Math.max(this.viewer.scale, 1));
    this.aim = near[this.moving];
    this.canvas.focus({ preventScroll: true });
    this.show();
  }

  drag(i, p) {
    this.dragged = this.dragged ?? this.chosen.near.map((point) => [...point]);
    this.dragged[i] = p; this.aim = p;
    this.viewer.draw(); this.showGlass();
  }

  async drop(i, p) {
    this.drag(i, p);
    const px = this.dragged, begun = performance.now();
    this.dragged = null; this.aim = null;
    await this.store.act('move', { name: this.selected, photo: this.photo, view: this.view, px }, (found) => this.found(found, begun));
    this.show();
  }

  // While a tap is being aimed with the mouse the glass shows the place under it.
  hover(p) {
    if (this.kind === 'look' && this.moving === null) return;
    this.aim = p; this.showGlass();
  }

  remove() { if (this.selected) this.store.change([{ do: 'remove feature', name: this.selected }]); }

  // The enlarged place: under the mouse, where the chosen feature was tapped, or somewhere on its edge.
  showGlass() {
    const dots = this.chosen?.dots ?? [];
    const nearest = this.spot && dots.length && dots.reduce((a, b) => (Math.hypot(a[0] - this.spot[0], a[1] - this.spot[1]) <= Math.hypot(b[0] - this.spot[0], b[1] - this.spot[1]) ? a : b));
    const spot = this.aim ?? (nearest || dots[Math.floor(dots.length / 4)]);
    this.lens.hidden = !spot || !this.viewer.picture;
    if (this.lens.hidden) return;
    this.lens.lastChild.textContent = this.aim ? 'Under the tap' : this.chosen.other ? 'Dots: edge taken. Dashes: the other' : 'Dots: edge taken';
    this.lens.classList.toggle('up', this.underLens(this.viewer.place(spot)));
    this.viewer.paintGlass(this.glass, spot, GLASS_SCALE, (context, place, scale) => drawMarks(context, place, scale, this.drawing(this.aim && place(spot))));
  }

  // Whether a place lies in the corner where the glass usually is.
  underLens([x, y]) { return x > this.viewer.width - this.lens.offsetWidth - 40 && y > this.viewer.height - this.lens.offsetHeight - 40; }

  showList() {
    if (typing(this.side)) return;
    const kept = this.side.contains(document.activeElement) ? this.place(document.activeElement) : null;
    this.side.replaceChildren(...listing(this).flat());
    if (kept) this.side.querySelector(kept)?.focus({ preventScroll: true });
    if (this.selected !== this.shown) this.side.querySelector('[aria-pressed="true"]')?.scrollIntoView({ block: 'nearest' });
    this.shown = this.selected;
  }

  // Where the keyboard was in the list, so that it is still there once the list is made anew.
  place(element) {
    if (element.id) return `#${element.id}`;
    const { act, feature } = element.dataset;
    return act ? `[data-act="${act}"]` : feature ? `[data-feature="${CSS.escape(feature)}"]` : null;
  }

  paired(to) {
    const { kind, from } = this.pair;
    this.pair = null;
    if (to === from) { this.show(); return; }
    this.store.change([{ do: 'add dimension', keys: { kind, from, to } }]);
  }
}
