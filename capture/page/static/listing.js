// The list beside the photo: what was found, what can be done with the chosen one.
import { budgetBar, button, choice, el, field, typed, unitWord, wayBack } from './build.js';

const KIND = { circle: 'hole', line: 'edge' }; // as on the buttons that mark them

// What was not typed and widens every ±: the step and the field where it belongs.
const UNTYPED = { 'print-unknown': ['print', 'print_x', 'Type the caliper readings'], 'height-unknown': ['shoot', 'height', 'Type the height'],
  'thickness-unknown': ['shoot', 'thickness', 'Type the thickness'] };

function untyped(marking) {
  const { store } = marking, told = new Set((store.results?.warnings ?? []).map((warning) => warning.code));
  const asked = Object.entries(UNTYPED).filter(([code]) => told.has(code)).map(([, where]) => where);
  const go = (step, key) => { store.go(step); document.getElementById(`${key}-${marking.photo}`)?.focus(); };
  return asked.length ? el('div', { class: 'notice', id: 'untyped' }, el('p', {}, 'Every ± is wide until this is typed:'),
    el('div', { class: 'row' }, asked.map(([step, key, words]) => button(words, () => go(step, key), { 'data-untyped': key })))) : '';
}

export function listing(marking) {
  const { store } = marking, results = store.results, found = results?.features ?? [];
  const missing = store.state.features.filter((f) => f.near && !found.some((item) => item.name === f.name));
  return [
    el('h2', { class: store.busy ? 'busy' : '' }, store.busy ? 'Measuring' : `Found, ${unitWord(store.state.unit)}`), untyped(marking),
    el('ul', { class: 'marks' }, found.map((feature) => item(marking, feature)), missing.map((feature) => lost(marking, feature))),
    found.length || store.busy ? '' : store.wrong() ? [el('p', { class: 'warn' }, store.wrong()), wayBack(store)]
      : el('p', {}, 'Nothing yet. Choose Edge, Arc, Hole, Slot or Path and tap the photo.'),
    found.length || store.results?.dimensions.length ? [el('h3', {}, 'Sizes'), sizes(store)] : '',
    found.length ? el('p', {}, button('Next: read', () => store.go('read'), { class: 'main' })) : '',
  ];
}

function sizes(store) {
  const listed = store.results?.dimensions ?? [];
  if (!listed.length) return el('p', {}, el('small', {}, 'Choose a feature, then Distance, Angle or Keep.'));
  return el('ul', { class: 'marks' }, listed.map((size) => el('li', {}, button([el('span', {}, size.name), el('span', { class: 'value' }, size.text),
    size.verdict ? el('small', {}, size.verdict) : ''], () => store.go('read'), { class: 'name' }))));
}

function item(marking, feature) {
  const chosen = feature.name === marking.selected;
  const warned = (marking.store.results.warnings ?? []).filter((w) => w.feature === feature.name && !w.quiet);
  const line = button([el('span', {}, feature.name), el('span', { class: 'value' }, feature.main),
    el('small', {}, `${KIND[feature.kind] ?? feature.kind}${feature.main_word ? ', ' + feature.main_word : ''} `, warned.length ? el('b', { class: 'warn' }, `look: ${warned.length} warning${warned.length > 1 ? 's' : ''}`) : '')],
  () => marking.select(chosen && !marking.pair ? null : feature.name), { class: 'name', 'aria-pressed': String(chosen), 'data-feature': feature.name });
  return el('li', {}, line, chosen ? more(marking, feature, warned) : '');
}

function more(marking, feature, warned) {
  const { state } = marking.store, unit = state.unit;
  const keys = state.features.find((f) => f.name === feature.name) ?? {};
  const photo = state.photos[marking.photo] ?? {};
  const set = (values) => marking.store.change([{ do: 'change feature', name: feature.name, set: values }]);
  return el('div', { class: 'more' },
    warned.map((w) => el('p', { class: 'warn' }, w.text)),
    otherEdge(marking, feature, keys, set),
    feature.sizes.map((size) => el('div', {}, `${size.word} `, el('b', {}, size.text))),
    el('small', {}, `${feature.points} points, rms ${feature.rms}${feature.form ? ', ' + feature.form : ''}`),
    budgetBar(feature.budget),
    feature.pieces.length ? el('ul', { class: 'pieces' }, feature.pieces.map((piece, i) => el('li', {},
      button(`${i + 1}: ${piece.text}`, () => marking.select(feature.name, piece.name), { 'aria-pressed': String(piece.name === marking.piece) })))) : '',
    sizeButtons(marking, feature),
    field('Name', feature.name, (text) => { marking.selected = text; set({ name: text }); }, { id: 'feature-name' }),
    field(`Height of its face, ${unitWord(unit)}`, keys.height ?? '', (text) => set({ height: typed(text, unit) }),
      { placeholder: photo.height ?? (unit === 'mm' ? '1.5±2' : '0.06±0.08'), inputMode: 'decimal', id: 'feature-height' }),
    keys.near ? roughSize(feature, keys, set, unit) : '',
    edgeKind(feature, keys, set),
    el('div', { class: 'row' }, keys.near ? button(marking.moving === null ? 'Move a point' : 'Next point', () => marking.grasp(), { 'data-act': 'grasp' }) : '',
      button('Remove', () => marking.remove(), { 'data-act': 'remove' })));
}

const roughSize = (feature, keys, set, unit) => (['circle', 'slot'].includes(feature.kind)
  ? field(`Rough ${feature.kind === 'slot' ? 'width' : 'diameter'}, ${unitWord(unit)}`, keys.about ?? '', (text) => set({ about: typed(text, unit) }), { inputMode: 'decimal', id: 'feature-about' }) : '');

// Where an upper rim, a lower rim or a shadow run side by side: which one is meant, and where the metal lies.
function edgeKind(feature, keys, set) {
  const edges = [['clearest', 'the clearest'], ['metal', "on the metal's side"], ['open', 'on the open side']];
  const sides = keys.closed || ['circle', 'slot'].includes(feature.kind) ? [['in', 'inside'], ['out', 'outside']] : [['left', 'on the left'], ['right', 'on the right']];
  return [
    choice('Of close edges take', edges, keys.edge ?? 'clearest', (edge) => set({ edge: edge === 'clearest' ? null : edge }), { id: 'feature-edge' }),
    ['line', 'arc', 'path'].includes(feature.kind) && keys.near ? choice('Metal, from first tap to last', [['', 'found by itself'], ...sides], keys.metal ?? '', (side) => set({ metal: side || null }), { id: 'feature-metal' }) : '',
  ];
}

function otherEdge(marking, feature, keys, set) {
  const other = marking.marks.find((mark) => mark.name === feature.name)?.other;
  const told = (keys.edge ?? 'clearest') !== 'clearest';
  if (!other && !told) return '';
  return [
    other ? el('p', {}, `Another edge runs ${other.text} (dashed).`) : '',
    el('div', { class: 'row' },
      other ? button('Take the other edge', () => set({ edge: other.edge }), { class: 'main', 'data-act': 'other' }) : '',
      other && !told ? button('This one is right', () => set({ edge: other.edge === 'open' ? 'metal' : 'open' }), { 'data-act': 'this' }) : '',
      told ? button('Undecided', () => set({ edge: null }), { 'data-act': 'undecided' }) : ''),
  ];
}

const OWN = { circle: 'diameter', sphere: 'diameter', cylinder: 'diameter', arc: 'radius', line: 'length', slot: 'width', path: 'length' };

function sizeButtons(marking, feature) {
  const from = marking.piece ?? feature.name;
  const pair = (kind, word) => button(`${word} to …`, () => marking.begin({ kind, from, word }), { 'data-act': kind });
  const piece = marking.piece && feature.pieces.find((p) => p.name === marking.piece);
  const kind = OWN[piece ? piece.kind : feature.kind];
  return el('div', { class: 'row' }, pair('distance', 'Distance'), pair('angle', 'Angle'),
    kind ? button(`Keep ${kind}`, () => marking.store.change([{ do: 'add dimension', keys: { kind, of: from } }]), { 'data-act': 'keep' }) : '');
}

// A mark that the photo did not show.
function lost(marking, feature) {
  const why = (marking.store.results?.warnings ?? []).find((w) => w.feature === feature.name && w.code === 'not-measured');
  const text = marking.store.busy ? 'being measured' : why?.text ?? 'not measured';
  const chosen = feature.name === marking.selected, { unit } = marking.store.state;
  const set = (values) => marking.store.change([{ do: 'change feature', name: feature.name, set: values }]);
  return el('li', {}, button([el('span', {}, feature.name), el('small', { class: 'warn' }, text)], () => marking.select(chosen ? null : feature.name), { class: 'name', 'aria-pressed': String(chosen) }),
    chosen ? el('div', { class: 'more' }, roughSize(feature, feature, set, unit), el('div', { class: 'row' },
      button(marking.moving === null ? 'Move a point' : 'Next point', () => marking.grasp(), { 'data-act': 'grasp' }),
      button('Remove', () => marking.remove(), { 'data-act': 'remove' }))) : '');
}
