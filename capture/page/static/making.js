// Step 5: one result folder, and its files to take away.
import { address } from './ask.js';
import { button, el } from './build.js';

const WORDS = {
  'cut_mm.dxf': 'Cutting file, DXF in mm', 'cut_mm_r12.dxf': 'The same for old cutters (R12)', 'sketch.dxf': 'Sketch, DXF',
  'sketch.pdf': 'Sketch, PDF', 'sketch.svg': 'Sketch, SVG', 'template_1to1.pdf': 'Template 1:1, PDF', 'report.html': 'Report page',
  'results.json': 'All numbers, JSON', 'cloud.ply': 'Points, PLY', 'cloud_mm.xyz': 'Points, text in mm', 'points.npz': 'Points with their errors, NPZ',
  'overlay.png': 'Photo with marks', 'flattened.png': 'Photo flattened, true size', 'picks.png': 'Marks enlarged',
};
const HEADS = { bend: 'Flat blank', rod: 'Bent rod', seal: 'Rubber seal', clear: 'Clearance' };

// 'seal.dxf' is the sketch of the seal, 'seal_template_1to1.pdf' its template.
function word(name) {
  const [, head, rest] = /^(bend|rod|seal|clear)([._].*)$/.exec(name) ?? [];
  if (!head) return WORDS[name] ?? name;
  const same = rest.startsWith('.') ? `sketch${rest}` : rest.slice(1);
  return `${HEADS[head]}: ${(WORDS[same] ?? same).replace(/^./, (first) => first.toLowerCase())}`;
}

export function making(store) {
  const { made, making: busy, start } = store;
  const opens = (name) => /\.(svg|html|png)$/.test(name);
  const link = (name) => el('a', { class: 'button', href: address(`job/${store.job}/file/${encodeURIComponent(name)}`),
    ...(opens(name) ? { target: '_blank', rel: 'noopener' } : { download: name }) }, word(name));
  const known = Object.keys(WORDS), files = [...(made?.files ?? [])];
  const place = (name) => (known.includes(name) ? known.indexOf(name) : known.length);
  files.sort((a, b) => place(a) - place(b));
  const stale = made && made.revision !== store.state.revision;
  return el('div', { class: 'sheet' }, el('h2', {}, 'Make'),
    el('p', {}, 'Writes one folder beside the job: cutting file, sketch, template, report and all numbers.'),
    el('p', {}, button(busy ? 'Writing' : made ? 'Write again' : 'Write the files', () => store.make(), { class: 'main', disabled: busy, id: 'write' })),
    stale ? el('p', { class: 'notice fault', id: 'stale' }, "The job was changed since these were written. Press 'Write again'.") : '',
    made ? [el('p', { id: 'made' }, `Written to the folder ${made.folder}.`, made.met ? '' : el('b', { class: 'warn' }, ' A tolerance is not met or not proven.')),
      el('div', { class: 'cards' }, files.map(link))] : '',
    el('p', { class: 'notice' }, 'Check one size of the cut part with a caliper before you cut the next. ', start.cautions?.cut),
    el('p', { class: 'notice' }, start.cautions?.always));
}
