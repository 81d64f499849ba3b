// Elements without a framework. Text from files only ever goes in as text.
export function el(tag, given = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith('on')) made.addEventListener(key.slice(2), value);
    else if (key === 'class') made.className = value;
    else if (key in made && key !== 'list') made[key] = value;
    else made.setAttribute(key, value);
  }
  made.append(...inside.flat(3).filter((item) => item !== null && item !== undefined && item !== false && item !== ''));
  return made;
}

export const button = (text, onclick, more = {}) => el('button', { type: 'button', onclick, ...more }, text);

// A labelled field that tells its text when it is left or Enter is pressed.
export function field(label, value, told, more = {}) {
  const shown = value === null || value === undefined ? '' : String(value);
  const input = el('input', { value: shown, autocomplete: 'off', ...more, 'aria-label': label });
  input.addEventListener('change', () => { if (input.value.trim() !== shown) told(input.value.trim()); });
  return el('div', { class: 'row' }, el('label', {}, label), input);
}

// Whether someone is in the middle of typing there.
export const typing = (within) => within.contains(document.activeElement) && Boolean(document.activeElement.dataset.typing);

// A labelled choice; options are pairs of value and word.
export function choice(label, options, value, told, more = {}) {
  const select = el('select', { ...more, 'aria-label': label, onchange: (event) => told(event.target.value) },
    options.map(([key, word]) => el('option', { value: key, selected: key === value }, word)));
  return el('div', { class: 'row' }, el('label', {}, label), select);
}

// A table whose rows turn into cards on a narrow screen: every cell knows the word above its column.
export function table(words, rows, more = {}) {
  for (const row of rows) [...row.children].forEach((cell, i) => words[i] && cell.setAttribute('data-word', words[i]));
  const head = words.some(Boolean) ? el('thead', {}, el('tr', {}, words.map((word) => el(word ? 'th' : 'td', word ? { scope: 'col' } : {}, word)))) : '';
  return el('div', { class: 'wide', tabIndex: 0, role: 'region', 'aria-label': more.label ?? 'table' }, el('table', {}, head, el('tbody', {}, rows)));
}

// What went wrong with a photo or list, by its name.
export const faultWords = ({ source, text }) => (text.startsWith(source) ? text : `${source}: ${text}`);

// From a photo that cannot be measured: a wrong caliper reading is put right in one step, the photo in the other.
export const wayBack = (store) => el('div', { class: 'row' }, button('Back: print', () => store.go('print')), button('Back: shoot', () => store.go('shoot'), { class: 'main' }));

export const unitWord = (unit) => (unit === 'mm' ? 'mm' : 'inch');

// A typed length for the job file: plain mm as a number, '1.5±0.2' or '1/16' as it stands, bare inches with their unit.
export function typed(text, unit = 'mm') {
  if (!text) return null;
  if (unit !== 'mm') return /[a-z"'”″]/i.test(text) ? text : `${text} in`;
  const number = /^\d+,\d{3}$/.test(text) ? NaN : Number(text.replace(',', '.')); // '1,250' can be read in two ways: asked back
  return Number.isFinite(number) ? number : text;
}

const INKS = ['#8a3a0b', '#2f6f8f', '#7d8a2e', '#6b4f8a', '#b08a2a', '#4d4d4d', '#a34c6a'];

// Shares of the uncertainty by source.
export function budgetBar(budget, advise = true) {
  if (!budget.length) return '';
  const word = (b) => `${b.word} ${Math.round(100 * b.share)} %`, shown = budget.slice(0, 3);
  const ink = (made, i) => { made.style.background = INKS[i % INKS.length]; return made; };
  const parts = budget.map((b, i) => {
    const part = el('i', { title: word(b) });
    part.style.width = `${100 * b.share}%`;
    return ink(part, i);
  });
  const remedy = advise && budget[0].share > 0.5 && budget[0].remedy;
  return el('div', {}, el('div', { class: 'bar', role: 'img', 'aria-label': shown.map(word).join(', ') }, parts),
    el('small', { class: 'shares' }, shown.map((b, i) => el('span', {}, ink(el('i'), i), word(b)))), remedy ? el('small', { class: 'remedy' }, `To narrow it: ${remedy}`) : '');
}

const SVG = 'http://www.w3.org/2000/svg';

function drawn(tag, given) {
  const made = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(given)) made.setAttribute(key, value);
  return made;
}

// Distances of touches from their shape, in the order they were touched; crosses were left out.
export function residuals(values, leftOut = []) {
  const svg = drawn('svg', { class: 'residuals', viewBox: '0 0 200 40', role: 'img', 'aria-label': 'distance of each touch from the shape' });
  const kept = values.filter((_, i) => !leftOut.includes(i)), most = Math.max(1e-6, ...kept.map(Math.abs));
  svg.append(drawn('line', { x1: 0, x2: 200, y1: 20, y2: 20, stroke: 'currentColor', 'stroke-width': 0.5 }));
  values.forEach((value, i) => {
    const x = 4 + 192 * (values.length > 1 ? i / (values.length - 1) : 0.5);
    const y = 20 - 17 * Math.max(-1, Math.min(1, value / most));
    if (leftOut.includes(i)) svg.append(drawn('path', { d: `M${x - 3} ${y - 3}l6 6m0 -6l-6 6`, stroke: 'currentColor', 'stroke-width': 1.5 }));
    else svg.append(drawn('circle', { cx: x, cy: y, r: 2, fill: 'currentColor' }));
  });
  return svg;
}
