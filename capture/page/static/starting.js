// Steps 1 and 2: printed targets, and which photo or job to open.
import { address } from './ask.js';
import { button, el, field, typed, unitWord } from './build.js';

const TARGETS = [
  ['frame', 'Frame', 'For parts up to about 120 × 170 mm: the part lies in its blank middle.'],
  ['strips', 'Strips', 'For larger parts: four strips laid around the part, anywhere.'],
  ['sheet', 'Lens sheet', 'Photographed from several sides, it teaches the program your camera, by the command edgewright camera.'],
];

function trying(store) {
  return [store.job ? '' : el('p', { class: 'lead' }, 'Five steps: print the target, shoot the part with it, mark the edges, read the sizes, make the part.'),
    el('h2', {}, store.job ? 'Samples' : 'Try a sample first'), el('p', {}, 'No printer at hand? Each sample is copied into this folder; mark and change it as you like.'),
    el('div', { class: 'cards' }, Object.entries(store.start.samples).map(([name, words]) => el('div', { class: 'card' }, el('p', {}, words),
      button(`Open ${name.replace('_', ' ')}`, () => store.open({ sample: name }), { 'data-sample': name }))))];
}

function photoFacts(store, keys) {
  const { unit } = store.state;
  return store.state.photos.map((photo, index) => {
    const set = (key) => (text) => store.change([{ do: 'change photo', index, set: { [key]: typed(text, unit) } }]);
    return el('div', { class: 'card' }, el('h3', {}, photo.file), keys.map(([key, label]) => field(`${label}, ${unitWord(unit)}`, photo[key], set(key), { inputMode: 'decimal', id: `${key}-${index}`, placeholder: key === 'thickness' ? 'as height' : '' })));
  });
}

export function printing(store) {
  const link = (kind, paper) => el('a', { class: 'button', href: address(`target/${kind}/${paper}.pdf`), download: `${kind}-${paper}.pdf` }, paper === 'a4' ? 'A4' : 'Letter');
  return el('div', { class: 'sheet' }, store.job ? '' : trying(store), el('h2', {}, '1 Print the target'),
    el('ol', { class: 'steps' }, el('li', {}, 'Print at 100 %, without fit to page.'), el('li', {}, 'Lay it flat: tape it to glass or a straight board.'),
      el('li', {}, 'Hold a caliper over the pattern, outer side to outer side, both ways, and type the readings below once a photo is open.')),
    el('div', { class: 'cards' }, TARGETS.map(([kind, name, words]) => el('div', { class: 'card' }, el('h3', {}, name), el('p', {}, words), link(kind, 'a4'), link(kind, 'letter')))),
    store.job && store.state.photos.length ? [el('h3', {}, 'Caliper readings'), el('div', { class: 'cards' }, photoFacts(store, [['print_x', 'Across (x)'], ['print_y', 'Up (y)']]))] : '',
    el('p', {}, button('Next: shoot', () => store.go('shoot'), { class: 'main' })), store.job ? trying(store) : '');
}

export function shooting(store) {
  const { files } = store.start;
  const pick = el('input', { type: 'file', id: 'photo-file', accept: '.jpg,.jpeg,.png,.tif,.tiff,.heic,.heif', onchange: (event) => event.target.files[0] && store.upload(event.target.files[0]) });
  return el('div', { class: 'sheet' },
    el('h2', {}, '2 Shoot the part'),
    el('ol', { class: 'steps' }, el('li', {}, 'Lay the part in the frame, or strips around it, with nothing covering the print.'),
      el('li', {}, 'Stand about 1 m away, main lens, no zoom, square to the face, light from the side without glare.'),
      el('li', {}, 'Use the photo as the camera wrote it: not cropped, not sent through a messenger.')),
    el('div', { class: 'row' }, pick, el('label', { class: store.job ? 'button' : 'button main', htmlFor: 'photo-file' }, 'Choose a photo')),
    files.length ? [el('h3', {}, 'In this folder'), el('div', { class: 'cards' }, files.map((name) => button(name, () => store.open({ file: name }))))] : '',
    store.job && store.state.photos.length ? [el('h3', {}, 'Of the open photo'), el('div', { class: 'cards' },
      photoFacts(store, [['height', 'Height of the face above the print'], ['thickness', 'Thickness of the sheet']])),
    el('p', {}, button('Next: mark', () => store.go('mark'), { class: 'main' }))] : '');
}
