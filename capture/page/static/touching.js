// Step 3 of a job without photos, and a part of step 4: the groups of touches that the arm's lists hold.
import { button, el, faultWords, residuals, table } from './build.js';

export function groupsTable(groups) {
  const several = new Set(groups.map((g) => g.probe)).size > 1;
  const rows = groups.map((g) => el('tr', {},
    el('td', {}, el('b', {}, g.name), g.feature && g.feature !== g.name ? el('small', {}, ` as ${g.feature}`) : '', several ? el('small', {}, ` of ${g.probe}`) : ''),
    el('td', {}, g.kind), el('td', { class: 'figure' }, String(g.points)), el('td', { class: 'figure' }, g.rms), el('td', { class: 'figure' }, g.worst),
    el('td', {}, g.residuals.length ? residuals(g.residuals, g.left_out) : '', g.stray ? el('div', { class: 'warn' }, g.stray) : '')));
  return table(['group', 'taken as', 'touches', 'rms', 'furthest kept', 'distance from the shape, in order of touch'], rows, { label: 'Touches of the arm' });
}

export function touching(store) {
  const results = store.results;
  if (!results) return el('div', { class: 'sheet' }, el('h2', { class: 'busy' }, 'Reading the touches'));
  return el('div', { class: 'sheet' }, el('h2', {}, 'Touches of the arm'),
    results.faults.map((f) => el('p', { class: 'notice fault' }, faultWords(f))),
    el('p', {}, 'Every group in the lists, what it was taken as, and how far each touch lies from that shape. A cross was left out as a stray.'),
    groupsTable(results.groups),
    el('p', {}, button('Next: read', () => store.go('read'), { class: 'main' })));
}
