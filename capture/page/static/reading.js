// Steps 4 and 5: every size with where its ± comes from, warnings, the sketch; files to take away.
import { address } from './ask.js';
import { budgetBar, button, el, field, residuals } from './build.js';
import { typed } from './marking.js';

const CLASS = { inside: 'inside', outside: 'outside', 'not proven': 'unproven' };

export function sizesTable(store) {
  const sizes = store.results?.dimensions ?? [];
  if (!sizes.length) return el('p', {}, 'No sizes asked for yet. In step 3 choose a feature, then Distance, Angle or Keep.');
  const set = (size, values) => store.change([{ do: 'change dimension', index: size.index, set: values }]);
  const cell = (size, key) => size.index === null ? '' : el('input', { value: size[key] ?? '', inputMode: 'decimal', 'aria-label': `${key} of ${size.name}`,
    onchange: (event) => set(size, { [key]: typed(event.target.value.trim()) }) });
  const rows = sizes.map((size) => el('tr', {},
    el('td', {}, size.name), el('td', { class: 'figure' }, size.text),
    el('td', {}, cell(size, 'nominal')), el('td', {}, cell(size, 'tolerance')),
    el('td', {}, el('span', { class: `verdict ${CLASS[size.verdict] ?? ''}` }, size.verdict), el('small', {}, ' ', size.enough)),
    el('td', {}, budgetBar(size.budget)),
    el('td', {}, size.index === null ? '' : button('Remove', () => store.change([{ do: 'remove dimension', index: size.index }]), { 'aria-label': `Remove ${size.name}` }))));
  return el('div', { class: 'wide' }, el('table', {}, el('thead', {}, el('tr', {},
    ['size', 'measured', 'should be, mm', '± allowed', 'verdict', 'where the ± comes from', 'change'].map((word) => el('th', {}, word)))), el('tbody', {}, rows)));
}

function featuresTable(features) {
  const rows = features.map((f) => el('tr', {}, el('td', {}, f.name, ' ', el('small', {}, f.kind)),
    el('td', {}, f.sizes.map((s) => el('div', {}, `${s.word} `, el('b', {}, s.text)))),
    el('td', {}, `${f.points} points, rms ${f.rms}`, el('br'), f.form), el('td', {}, budgetBar(f.budget))));
  return el('div', { class: 'wide' }, el('table', {}, el('thead', {}, el('tr', {},
    ['feature', 'sizes', 'points and form', 'where the ± comes from'].map((word) => el('th', {}, word)))), el('tbody', {}, rows)));
}

function notices(list) {
  return list.map((w) => el('details', { class: 'notice' },
    el('summary', {}, `${w.feature ? w.feature + ': ' : ''}${w.text}`),
    w.why ? [el('p', {}, `Why: ${w.why}`), el('p', {}, `How to see it: ${w.see}`), el('p', {}, `What to do: ${w.do}`)] : ''));
}

function groupsTable(groups) {
  if (!groups.length) return '';
  const rows = groups.map((g) => el('tr', {}, el('td', {}, g.name), el('td', {}, g.kind), el('td', {}, g.points), el('td', {}, g.rms),
    el('td', { class: 'warn' }, g.stray), el('td', {}, g.residuals.length ? residuals(g.residuals) : '')));
  return [el('h3', {}, 'Touches of the arm'), el('div', { class: 'wide' }, el('table', {}, el('thead', {}, el('tr', {},
    ['group', 'fitted as', 'touches', 'rms', 'left out', 'distance from the shape'].map((w) => el('th', {}, w)))), el('tbody', {}, rows)))];
}

export function reading(store) {
  const results = store.results;
  if (!results) return el('div', { class: 'sheet' }, el('h2', { class: 'busy' }, store.job ? 'Measuring' : 'Nothing is open'));
  const sketch = el('img', { class: 'paper', alt: 'Dimensioned sketch', src: address(`job/${store.job}/sketch.svg?${results.revision}`) });
  return el('div', { class: 'sheet' },
    results.faults.map((f) => el('p', { class: 'notice' }, el('b', {}, `${f.source}: `), f.text)),
    el('h2', {}, 'Sizes'), el('p', {}, 'Every ± is a 95 % uncertainty. Not proven: the interval touches a limit.'), sizesTable(store),
    el('h3', {}, 'Warnings'), results.warnings.length ? notices(results.warnings) : el('p', {}, 'None.'),
    results.features.length ? [el('h3', {}, 'Sketch'), sketch] : '',
    groupsTable(results.groups),
    el('h3', {}, 'Features'), featuresTable(results.features), el('p', {}, el('small', {}, `Axes: ${results.frame}`)));
}

const WORDS = {
  'cut_mm.dxf': 'Cutting file, DXF in mm', 'cut_mm_r12.dxf': 'The same for old cutters (R12)', 'sketch.dxf': 'Sketch, DXF',
  'sketch.pdf': 'Sketch, PDF', 'sketch.svg': 'Sketch, SVG', 'template_1to1.pdf': 'Template 1:1, PDF', 'report.html': 'Report page',
  'results.json': 'All numbers, JSON', 'cloud.ply': 'Points, PLY', 'cloud_mm.xyz': 'Points, text in mm', 'points.npz': 'Points with their errors, NPZ',
  'overlay.png': 'Photo with marks', 'flattened.png': 'Photo flattened, true size', 'picks.png': 'Marks enlarged',
};

export function making(store) {
  const made = store.made;
  const link = (name) => el('a', { class: 'button', href: address(`job/${store.job}/file/${encodeURIComponent(name)}`), target: '_blank', rel: 'noopener', download: /\.(svg|html|png)$/.test(name) ? null : name }, WORDS[name] ?? name);
  const first = Object.keys(WORDS).filter((name) => made?.files.includes(name));
  const rest = (made?.files ?? []).filter((name) => !(name in WORDS));
  const pictures = (made?.files ?? []).filter((name) => /^(bend|rod|seal|clear).*\.svg$/.test(name));
  return el('div', { class: 'sheet' }, el('h2', {}, 'Make'),
    el('p', {}, 'Writes one result folder beside the job: the same files and the same numbers as the command edgewright run.'),
    button(store.making ? 'Writing' : made ? 'Write again' : 'Write the files', () => store.make(), { class: 'main', disabled: store.making || !store.job, id: 'write' }),
    store.state.calculators?.length && !made ? el('p', { class: 'notice', id: 'waiting' }, `This job also asks for ${store.state.calculators.join(', ')}. Press 'Write the files' to work it out from the sizes; results and pictures then show here.`) : '',
    made ? [el('p', { id: 'made' }, `Written to the folder ${made.folder}.`, made.met ? '' : el('b', { class: 'warn' }, ' A tolerance is not met or not proven.')),
      el('div', { class: 'cards' }, [...first, ...rest].map(link)),
      pictures.map((name) => el('img', { class: 'paper', alt: name, src: address(`job/${store.job}/file/${name}`) }))] : '',
    el('p', { class: 'notice' }, 'Check one size of the cut part with a caliper before you cut the next. Where a failure can hurt someone, a qualified person must check the design.'));
}

export function photoFacts(store, keys) {
  return store.state.photos.map((photo, index) => {
    const set = (key) => (text) => store.change([{ do: 'change photo', index, set: { [key]: typed(text) } }]);
    return el('div', { class: 'card' }, el('h3', {}, photo.file), keys.map(([key, label]) => field(label, photo[key], set(key), { inputMode: 'decimal' })));
  });
}
