// Step 4: every size with where its ± comes from, warnings, what the calculators give, the sketch.
import { address } from './ask.js';
import { budgetBar, button, choice, el, faultWords, table, typed, unitWord, wayBack } from './build.js';
import { groupsTable } from './touching.js';

const CLASS = { inside: 'inside', outside: 'outside', 'not proven': 'unproven' };

function sizesTable(store) {
  const sizes = store.results.dimensions, unit = store.state.unit;
  if (!sizes.length) return el('p', {}, 'No sizes asked for yet. Pick two features below for a distance or an angle, or keep a size of one.');
  const set = (size, values) => store.change([{ do: 'change dimension', index: size.index, set: values }]);
  const cell = (size, key, word) => size.index === null ? '' : [el('input', { value: size[key] ?? '', inputMode: 'decimal', 'aria-label': `${word} of ${size.name}`,
    onchange: (event) => set(size, { [key]: typed(event.target.value.trim(), size.angle ? 'mm' : unit) }) }), size.angle ? ' °' : ''];
  const rows = sizes.map((size) => el('tr', {},
    el('td', {}, size.name), el('td', { class: 'figure' }, size.text),
    el('td', {}, cell(size, 'nominal', 'should be')), el('td', {}, cell(size, 'tolerance', '± allowed')),
    el('td', {}, size.verdict ? el('span', { class: `verdict ${CLASS[size.verdict] ?? ''}` }, size.verdict) : '', size.enough ? el('small', {}, ` ${size.enough}`) : ''),
    el('td', {}, budgetBar(size.budget)),
    el('td', {}, size.index === null ? '' : button('Remove', () => store.change([{ do: 'remove dimension', index: size.index }]), { 'aria-label': `Remove ${size.name}` }))));
  return table(['size', `measured, ${unitWord(unit)}`, `should be, ${unitWord(unit)}`, '± allowed', 'verdict', 'where the ± comes from', ''], rows, { label: 'Sizes' });
}

const OWN = { circle: ['diameter'], sphere: ['diameter'], cylinder: ['diameter'], arc: ['radius'], line: ['length'], slot: ['width', 'length'], path: ['length'] };

// Two features picked for a distance or an angle, or one for a size of its own.
function picking(store) {
  const features = store.results.features, wish = store.wish;
  const all = features.flatMap((f) => [[f.name, f.kind], ...f.pieces.map((piece) => [piece.name, piece.kind])]);
  if (!all.length) return '';
  const kindOf = Object.fromEntries(all), between = all.filter(([, kind]) => kind !== 'path').map(([name]) => name); // of a path its pieces
  const likely = [...features.filter((f) => f.kind !== 'path').map((f) => f.name), ...between]; // two holes sooner than two pieces of one path
  if (!(wish.from in kindOf)) wish.from = likely[0] ?? all[0][0];
  if (!(wish.to in kindOf)) wish.to = likely.find((name) => name !== wish.from) ?? wish.from;
  const kinds = [...(kindOf[wish.from] === 'path' ? [] : ['distance', 'angle']), ...(OWN[kindOf[wish.from]] ?? [])];
  if (!kinds.includes(wish.kind)) wish.kind = kinds[0];
  const two = ['distance', 'angle'].includes(wish.kind);
  const pick = (key) => (value) => { wish[key] = value; store.render(); };
  const add = () => store.change([{ do: 'add dimension', keys: two ? { kind: wish.kind, from: wish.from, to: wish.to } : { kind: wish.kind, of: wish.from } }]);
  return el('div', { class: 'picking' }, el('h3', {}, 'One more size'), el('div', { class: 'row' },
    choice('Size', kinds.map((kind) => [kind, kind]), wish.kind, pick('kind'), { id: 'wish-kind' }),
    choice(two ? 'from' : 'of', all.map(([name]) => [name, name]), wish.from, pick('from'), { id: 'wish-from' }),
    two ? choice('to', between.map((name) => [name, name]), wish.to, pick('to'), { id: 'wish-to' }) : '',
    button('Add', add, { class: 'main', id: 'wish-add', disabled: two && wish.from === wish.to })));
}

function featuresTable(features, unit) {
  const rows = features.map((f) => el('tr', {}, el('td', {}, f.name, ' ', el('small', {}, f.kind)),
    el('td', {}, f.sizes.map((s) => el('div', {}, `${s.word} `, el('b', {}, s.text)))),
    el('td', {}, `${f.points} points, rms ${f.rms}`, f.form ? [el('br'), f.form] : ''), el('td', {}, budgetBar(f.budget, false))));
  return table(['feature', `sizes, ${unitWord(unit)}`, 'points and form', 'where the ± comes from'], rows, { label: 'Features' });
}

export function notices(list) {
  return list.map((w) => el('details', { class: 'notice' },
    el('summary', {}, `${w.feature ? w.feature + ': ' : ''}${w.text}`),
    w.why ? [el('p', {}, `Why: ${w.why}`), el('p', {}, `How to see it: ${w.see}`), el('p', {}, `What to do: ${w.do}`)] : ''));
}

// What the calculators give for the sizes as they stand.
export function workings(store) {
  if (!store.state.calculators?.length) return '';
  const { worked } = store, fresh = worked && worked.revision === store.state.revision;
  if (!worked) return el('section', { id: 'workings' }, el('h2', { class: 'busy' }, `Working out: ${store.state.calculators.join(', ')}`));
  return el('section', { id: 'workings', 'data-revision': worked.revision }, fresh ? '' : el('p', { class: 'notice busy' }, 'Something was changed; what follows is from before and is being worked out again'),
    worked.workings.map((working) => oneWorking(store, working, worked.revision)));
}

function oneWorking(store, working, revision) {
  const picture = (name, words) => el('img', { class: 'paper', alt: words, src: address(`job/${store.job}/working/${name}?${revision}`) });
  const part = (p) => [el('h3', {}, p.title), p.lines.map((line) => el('p', {}, line)), p.picture ? picture(p.picture, p.title) : '',
    p.rows.length ? table(p.head, p.rows.map((row) => el('tr', {}, row.map((text) => el('td', {}, text)))), { label: p.title }) : '',
    p.caution ? el('p', { class: 'notice' }, p.caution) : ''];
  return el('section', { 'data-working': working.head }, el('h2', {}, working.word),
    working.fault ? el('p', { class: 'notice fault' }, working.fault) : '',
    working.met || working.fault ? '' : el('p', {}, el('b', { class: 'warn' }, 'What was demanded is not met or not proven.')),
    working.pictures.map((name) => picture(name, `${working.word}, drawing`)), notices(working.warnings), working.parts.map(part),
    working.caution ? el('p', { class: 'notice' }, working.caution) : '');
}

export function reading(store) {
  const { results, state } = store;
  if (!results) return el('div', { class: 'sheet' }, el('h2', { class: store.busy ? 'busy' : '' }, store.busy ? 'Measuring' : 'Nothing could be measured'),
    store.busy ? '' : [el('p', { class: 'notice fault' }, store.wrong()), wayBack(store)]);
  const [width, height] = store.sheet ?? [794, 1123]; // as large as the last one, A4 at first, so that what follows keeps its place
  const sketch = el('img', { class: 'paper', id: 'sketch', width, height, onload: ({ target }) => { store.sheet = [target.naturalWidth, target.naturalHeight]; },
    alt: 'Dimensioned sketch', src: address(`job/${store.job}/sketch.svg?${results.revision}`) });
  const loud = results.warnings.filter((w) => !w.quiet), quiet = results.warnings.filter((w) => w.quiet);
  const measured = results.features.length > 0;
  return el('div', { class: 'sheet' },
    results.faults.map((f) => el('p', { class: 'notice fault' }, faultWords(f))),
    measured || results.dimensions.length ? [el('h2', { class: store.busy ? 'busy' : '' }, store.busy ? 'Measuring again' : 'Sizes'),
      el('p', {}, 'Every ± is a 95 % uncertainty. Not proven: the interval touches a limit.'), sizesTable(store), picking(store)] : '',
    loud.length ? [el('h2', {}, 'Look at these first'), notices(loud)] : '',
    workings(store),
    measured ? [el('h2', {}, 'Sketch'), sketch] : '',
    results.groups.length ? [el('h2', {}, 'Touches of the arm'), groupsTable(results.groups)] : '',
    measured ? [el('h2', {}, 'Features'), featuresTable(results.features, state.unit)] : '',
    quiet.length ? [el('h2', {}, 'For the record'), notices(quiet)] : '',
    measured ? el('p', {}, el('small', {}, `Axes: ${state.unit === 'mm' ? results.frame : results.frame.replace('; mm', '')}`)) : '',
    measured || !store.wrong() ? el('p', {}, button('Next: make', () => store.go('make'), { class: 'main' })) : wayBack(store));
}
