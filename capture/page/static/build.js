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

const INKS = ['#8a3a0b', '#2f6f8f', '#7d8a2e', '#6b4f8a', '#b08a2a', '#4d4d4d', '#a34c6a'];

// Shares of the uncertainty by source.
export function budgetBar(budget) {
  if (!budget.length) return '';
  const words = budget.slice(0, 3).map((b) => `${b.word} ${Math.round(100 * b.share)} %`).join(', ');
  const parts = budget.map((b, i) => {
    const part = el('i', { title: `${b.word}: ${Math.round(100 * b.share)} %` });
    part.style.width = `${100 * b.share}%`;
    part.style.background = INKS[i % INKS.length];
    return part;
  });
  return el('div', {}, el('div', { class: 'bar', role: 'img', 'aria-label': words }, parts), el('small', {}, words));
}

const SVG = 'http://www.w3.org/2000/svg';

// Distances of touches from their shape, in the order they were touched.
export function residuals(values) {
  const svg = document.createElementNS(SVG, 'svg');
  svg.setAttribute('class', 'residuals');
  svg.setAttribute('viewBox', '0 0 200 40');
  svg.setAttribute('role', 'img');
  svg.setAttribute('aria-label', 'distance of each touch from the shape');
  const most = Math.max(1e-6, ...values.map(Math.abs));
  values.forEach((value, i) => {
    const dot = document.createElementNS(SVG, 'circle');
    dot.setAttribute('cx', 4 + 192 * (values.length > 1 ? i / (values.length - 1) : 0.5));
    dot.setAttribute('cy', 20 - 17 * value / most);
    dot.setAttribute('r', 2);
    dot.setAttribute('fill', 'currentColor');
    svg.append(dot);
  });
  return svg;
}
