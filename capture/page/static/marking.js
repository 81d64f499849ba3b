// Step 3: the photo with its marks, and the list of what was found.
import { get } from './ask.js';
import { button, budgetBar, el, field } from './build.js';
import { handle } from './hands.js';
import { drawMarks } from './overlay.js';
import { Viewer } from './viewer.js';

const KINDS = [
  ['look', 'Look', 0, 'Tap a feature to see it. Drag to move, wheel or pinch to zoom.'],
  ['line', 'Edge', 2, 'Tap two points on one straight edge.'],
  ['arc', 'Arc', 3, 'Tap three points along one arc.'],
  ['circle', 'Hole', 1, 'Tap in a round hole.'],
  ['slot', 'Slot', 1, 'Tap in the middle of a slot.'],
  ['path', 'Path', Infinity, 'Tap along the edge, then Finish (Enter). Backspace takes the last point away.'],
];

export class Marking {
  constructor(store) {
    this.store = store;
    this.kind = 'look'; this.taps = []; this.marks = []; this.selected = null; this.piece = null; this.dragged = null;
    this.view = 'raw'; this.photo = 0; this.pair = null;
    this.canvas = el('canvas', { class: 'view', tabIndex: 0, role: 'application', 'aria-label': 'Photo. Arrow keys move, plus and minus zoom, space marks the middle, Enter finishes, Delete removes.' });
    this.glass = el('canvas', { class: 'glass', hidden: true });
    this.hint = el('p', { class: 'hint' });
    this.kinds = el('div', { class: 'kinds', role: 'toolbar', 'aria-label': 'What to mark' });
    this.zoom = el('div', { class: 'zoom' });
    this.side = el('aside', { 'aria-label': 'What was found' });
    this.viewer = new Viewer(this.canvas, (context, place, scale) => drawMarks(context, place, scale, this.drawing(true)));
    handle(this.viewer, {
      grip: (at, reach) => this.grip(at, reach), drag: (i, p) => this.drag(i, p), drop: (i, p) => this.drop(i, p),
      tap: (p, at) => this.tap(p, at), finish: () => this.finish(), stop: () => this.choose(this.taps.length ? this.kind : 'look'),
      back: () => { this.taps.pop(); this.show(); }, remove: () => this.remove(),
    });
    this.canvas.addEventListener('focus', () => this.viewer.draw());
    this.canvas.addEventListener('blur', () => this.viewer.draw());
    this.box = el('div', { class: 'bench' }, el('div', { class: 'stage' }, this.canvas, this.hint, this.kinds, this.zoom, this.glass), this.side);
  }

  drawing(labels) {
    const cross = labels && this.kind !== 'look' && this.canvas.matches(':focus-visible') ? [this.viewer.width / 2, this.viewer.height / 2] : null;
    return { marks: this.marks, selected: this.selected, piece: this.piece, taps: this.taps, dragged: this.dragged, labels, cross };
  }

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
    if (!this.marks.some((mark) => mark.name === this.selected)) this.selected = null;
    this.show();
  }

  show() {
    this.showTools(); this.showList(); this.viewer.draw(); this.showGlass();
  }

  showTools() {
    const [, , , words] = KINDS.find(([kind]) => kind === this.kind);
    this.hint.textContent = this.pair ? `${this.pair.word} from ${this.pair.from}: tap the second feature in the list or the picture; of a path, the number of its piece.` : words;
    this.kinds.replaceChildren(
      ...KINDS.map(([kind, text]) => button(text, () => this.choose(kind), { 'aria-pressed': String(kind === this.kind), 'data-kind': kind })),
      this.kind === 'path' && this.taps.length > 1 ? button('Finish', () => this.finish(), { class: 'main' }) : '',
      this.kind === 'path' && this.taps.length > 2 ? button('Close the ring', () => this.finish(true), { class: 'main' }) : '',
    );
    const photos = this.store.state.photos;
    this.zoom.replaceChildren(
      button('+', () => this.viewer.zoom(1.5), { title: 'Nearer' }), button('−', () => this.viewer.zoom(1 / 1.5), { title: 'Further' }),
      button('Whole', () => this.viewer.fit()),
      button(this.view === 'raw' ? 'Flattened' : 'As shot', () => this.turn()),
      photos.length > 1 ? el('select', { 'aria-label': 'Photo', onchange: (event) => { this.photo = Number(event.target.value); this.reload(); } },
        photos.map((photo, i) => el('option', { value: i, selected: i === this.photo }, photo.name))) : '',
    );
  }

  turn() { this.view = this.view === 'raw' ? 'flat' : 'raw'; this.taps = []; this.reload(); }
  reload() { this.marks = []; this.store.guard(async () => { await this.load(); await this.redraw(); }); }

  choose(kind) {
    this.kind = kind; this.taps = []; this.pair = null;
    if (kind !== 'look') this.canvas.focus({ preventScroll: true });
    this.show();
  }

  select(name, piece = null) {
    const whole = this.store.results?.features.find((f) => f.name === name)?.pieces.length && !piece;
    if (this.pair && name && !whole) { this.paired(piece ?? name); return; }
    this.selected = name; this.piece = piece;
    this.show();
  }

  tap(p, at) {
    if (this.kind === 'look' || this.pair) {
      const piece = this.nearestPiece(at);
      if (piece) this.select(this.selected, piece); else this.select(this.nearest(at));
      return;
    }
    this.taps.push(p.map((v) => Math.round(v * 100) / 100));
    const [, , count] = KINDS.find(([kind]) => kind === this.kind);
    if (this.taps.length >= count) this.finish(); else this.show();
  }

  // The piece of the chosen path whose number was tapped.
  nearestPiece(at) {
    const pieces = this.marks.find((mark) => mark.name === this.selected)?.pieces ?? [];
    const away = (piece) => { const [x, y] = this.viewer.place(piece.at); return Math.hypot(x - at[0], y - at[1]); };
    return pieces.filter((piece) => away(piece) < 22).sort((a, b) => away(a) - away(b))[0]?.name;
  }

  nearest(at) {
    let best = null, least = 26;
    for (const mark of this.marks) {
      for (const p of [...mark.dots, ...(mark.label ? [mark.label] : [])]) {
        const [x, y] = this.viewer.place(p), away = Math.hypot(x - at[0], y - at[1]);
        if (away < least) { least = away; best = mark.name; }
      }
    }
    return best;
  }

  async finish(closed = false) {
    const taps = this.taps, kind = this.kind;
    if (kind === 'look' || !taps.length) return;
    this.taps = [];
    const begun = performance.now();
    await this.store.act('mark', { photo: this.photo, view: this.view, kind, px: taps, closed }, (found) => this.found(found, begun));
    this.show();
  }

  // What the server found for one mark: shown at once, before everything else is measured again.
  found(answer, begun) {
    this.marks = this.marks.filter((mark) => mark.name !== answer.drawn.name);
    this.marks.push({ ...answer.drawn, near: answer.drawn.near });
    this.selected = answer.feature.name; this.piece = null;
    this.store.first(answer.feature);
    document.body.dataset.tapMs = String(Math.round(performance.now() - begun));
    if (answer.warnings.length) this.store.tell(answer.warnings.join(' '));
    this.show();
  }

  grip(at, reach) {
    const chosen = this.marks.find((mark) => mark.name === this.selected);
    if (!chosen || this.kind !== 'look') return null;
    const away = chosen.near.map((p) => { const [x, y] = this.viewer.place(p); return Math.hypot(x - at[0], y - at[1]); });
    const best = away.indexOf(Math.min(...away));
    return best >= 0 && away[best] < reach ? best : null;
  }

  drag(i, p) {
    const chosen = this.marks.find((mark) => mark.name === this.selected);
    this.dragged = this.dragged ?? chosen.near.map((point) => [...point]);
    this.dragged[i] = p;
    this.viewer.draw(); this.showGlass(p);
  }

  async drop(i, p) {
    this.drag(i, p);
    const px = this.dragged;
    this.dragged = null;
    await this.store.act('move', { name: this.selected, photo: this.photo, view: this.view, px }, (found) => this.found(found, performance.now()));
  }

  remove() {
    if (this.selected) this.store.change([{ do: 'remove feature', name: this.selected }]);
  }

  showGlass(at = null) {
    const chosen = this.marks.find((mark) => mark.name === this.selected);
    const spot = at ?? chosen?.dots[Math.floor(chosen.dots.length / 4)];
    this.glass.hidden = !spot || !this.viewer.picture;
    if (this.glass.hidden) return;
    const paint = () => this.viewer.paintGlass(this.glass, spot, 5, (context, place, scale) => drawMarks(context, place, scale, this.drawing(false)));
    paint();
    setTimeout(paint, 250); // tiles asked for just now have come by then
  }

  showList() {
    if (this.side.contains(document.activeElement) && document.activeElement.matches('input') && this.store.busy) return; // someone is typing
    const results = this.store.results, state = this.store.state;
    const found = results?.features ?? [];
    const missing = state.features.filter((f) => f.near && !found.some((item) => item.name === f.name));
    const head = el('h2', { class: this.store.busy ? 'busy' : '' }, this.store.busy ? 'Measuring' : 'Found');
    this.side.replaceChildren(
      head,
      el('ul', { class: 'marks' }, found.map((feature) => this.item(feature)), missing.map((feature) => this.missing(feature))),
      found.length || this.store.busy ? '' : el('p', {}, 'Nothing yet. Choose Edge, Arc, Hole, Slot or Path and tap the photo.'),
      el('h3', {}, 'Sizes'), this.store.sizesList(),
    );
    if (this.selected !== this.shown) this.side.querySelector('[aria-pressed="true"]')?.scrollIntoView({ block: 'nearest' });
    this.shown = this.selected;
  }

  item(feature) {
    const chosen = feature.name === this.selected;
    const warned = (this.store.results.warnings ?? []).filter((w) => w.feature === feature.name);
    const line = button([el('span', {}, feature.name), el('span', { class: 'value' }, feature.main),
      el('small', {}, `${feature.kind}${feature.main_word ? ', ' + feature.main_word : ''}`, warned.length ? el('b', { class: 'warn' }, ` look: ${warned.length} warning${warned.length > 1 ? 's' : ''}`) : '')],
    () => this.select(chosen && !this.pair ? null : feature.name), { class: 'name', 'aria-pressed': String(chosen) });
    return el('li', {}, line, chosen ? this.more(feature, warned) : '');
  }

  more(feature, warned) {
    const keys = this.store.state.features.find((f) => f.name === feature.name) ?? {};
    const photo = this.store.state.photos[this.photo] ?? {};
    const set = (values) => this.store.change([{ do: 'change feature', name: feature.name, set: values }]);
    return el('div', { class: 'more' },
      warned.map((w) => el('p', { class: 'warn' }, w.text)),
      this.choice(feature, keys, set),
      feature.sizes.map((size) => el('div', {}, `${size.word} `, el('b', {}, size.text))),
      el('small', {}, `${feature.points} points, rms ${feature.rms}${feature.form ? ', ' + feature.form : ''}`),
      budgetBar(feature.budget),
      feature.pieces.length ? el('ul', { class: 'pieces' }, feature.pieces.map((piece, i) => el('li', {},
        button(`${i + 1}: ${piece.text}`, () => this.select(feature.name, piece.name), { 'aria-pressed': String(piece.name === this.piece) })))) : '',
      this.sizeButtons(feature),
      field('Name', feature.name, (text) => { this.selected = text; set({ name: text }); }),
      this.store.state.photos.length ? field('Height of its face, mm', keys.height ?? '', (text) => set({ height: typed(text) }), { placeholder: photo.height ?? '1.5±2', inputMode: 'decimal' }) : '',
      el('div', { class: 'row' }, button('Remove', () => this.remove())));
  }

  // Which of two close edges is meant, and on which side the metal lies.
  choice(feature, keys, set) {
    const other = this.marks.find((mark) => mark.name === feature.name)?.other;
    const sides = keys.closed ? ['in', 'out'] : ['left', 'right'];
    const words = { in: 'Metal inside', out: 'Metal outside', left: 'Metal on the left', right: 'Metal on the right' };
    const side = (word) => button(words[word], () => set({ metal: keys.metal === word ? null : word }), { 'aria-pressed': String(keys.metal === word) });
    const told = (keys.edge ?? 'clearest') !== 'clearest';
    return [
      other ? el('p', {}, `Another edge runs ${other.text} (dashed).`) : '',
      other || told ? el('div', { class: 'row' },
        other ? button('Take the other edge', () => set({ edge: other.edge }), { class: 'main', 'data-act': 'other' }) : '',
        other && !told ? button('This one is right', () => set({ edge: other.edge === 'open' ? 'metal' : 'open' }), { 'data-act': 'this' }) : '',
        told ? button('Undecided', () => set({ edge: null }), { 'data-act': 'undecided' }) : '') : '',
      ['line', 'arc', 'path'].includes(feature.kind) && keys.near && (other || keys.metal) ? el('div', { class: 'row' },
        el('small', {}, sides[0] === 'left' ? 'Seen from the first tap to the last:' : ''), sides.map(side)) : '',
    ];
  }

  sizeButtons(feature) {
    const from = this.piece ?? feature.name;
    const pair = (kind, word) => button(`${word} to …`, () => { this.pair = { kind, from, word }; this.kind = 'look'; this.show(); });
    const own = { circle: 'diameter', sphere: 'diameter', cylinder: 'diameter', arc: 'radius', line: 'length', slot: 'width', path: 'length' };
    const piece = this.piece && feature.pieces.find((p) => p.name === this.piece);
    const kind = own[piece ? piece.kind : feature.kind];
    return el('div', { class: 'row' }, pair('distance', 'Distance'), pair('angle', 'Angle'),
      kind ? button(`Keep ${kind}`, () => this.store.change([{ do: 'add dimension', keys: { kind, of: from } }])) : '');
  }

  paired(to) {
    const { kind, from } = this.pair;
    this.pair = null;
    if (to === from) { this.show(); return; }
    this.store.change([{ do: 'add dimension', keys: { kind, from, to } }]);
  }

  missing(feature) {
    const why = (this.store.results?.warnings ?? []).find((w) => w.feature === feature.name && w.code === 'not-measured');
    const text = this.store.busy ? 'being measured' : why?.text ?? 'not measured';
    const chosen = feature.name === this.selected;
    return el('li', {}, button([el('span', {}, feature.name), el('small', { class: 'warn' }, text)], () => this.select(chosen ? null : feature.name), { class: 'name', 'aria-pressed': String(chosen) }),
      chosen ? el('div', { class: 'row' }, button('Remove', () => this.remove())) : '');
  }
}

// A typed length: a plain number as a number, '1.5±0.2' or '1/16' as it stands, nothing as no key.
export function typed(text) {
  if (!text) return null;
  const number = Number(text.replace(',', '.'));
  return Number.isFinite(number) ? number : text;
}
