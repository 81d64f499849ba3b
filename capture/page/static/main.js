// The page: one store, five steps.
import { Fault, get, post, put } from './ask.js';
import { Marking } from './marking.js';
import { faultWords, typing } from './build.js';
import { making } from './making.js';
import { reading } from './reading.js';
import { printing, shooting } from './starting.js';
import { touching } from './touching.js';

const POLL_MS = 2500, SETTLE_MS = 250;
const NO_JOB = { photos: [], features: [], undo: 0, redo: 0, unit: 'mm' };
const main = document.getElementById('main'), told = document.getElementById('told'), said = document.getElementById('said');

const store = {
  job: null, state: NO_JOB, results: null, trouble: '', turn: Promise.resolve(), start: { files: [], samples: {} },
  step: 'print', busy: false, made: null, making: false, marking: null, worked: null, working: false, wish: { kind: 'distance', from: '', to: '' },

  tell(text, fault = false) { told.textContent = text; told.classList.toggle('fault', fault); },

  // What was told of a mark measured by itself. Beside the others it may be told apart better: then that is told instead.
  tellFirst(name, text) { this.tell(text); this.early = { name, text }; },
  tellSettled(warnings) {
    if (this.early && told.textContent === this.early.text) {
      this.tell(warnings.filter((warning) => warning.feature === this.early.name).map((warning) => warning.text).join(' '));
    }
    this.early = null;
  },

  async guard(work) {
    try { return await work(); }
    catch (error) {
      if (!(error instanceof Fault)) throw error;
      this.tell(error.message, true);
      return null;
    }
  },

  async open(what) {
    await this.guard(async () => { const { job } = await post('open', what); this.lead(job); });
  },

  async upload(file) {
    this.tell(`${file.name} is being taken in …`);
    await this.guard(async () => { const { job } = await put(`upload/${encodeURIComponent(file.name)}`, file); this.tell(''); this.lead(job); });
  },

  // To a job that was opened; to its first step where it is the one that is open already.
  lead(job) {
    if (location.hash !== `#${job}`) location.hash = job;
    else if (this.state.fault) this.enter(job);
    else this.go(this.state.photos.length ? 'mark' : 'read');
  },

  empty(job) {
    this.job = job; this.results = null; this.made = null; this.marking = null; this.worked = null; this.sheet = null;
    this.trouble = ''; this.wish = { kind: 'distance', from: '', to: '' };
  },

  async enter(job) {
    this.empty(job);
    await this.guard(async () => {
      this.take(await get(`job/${job}/state`));
      if (this.state.fault) { this.go('shoot'); this.tell(this.state.fault, true); return; }
      this.go(this.state.photos.length ? 'mark' : 'read');
      this.measure();
      this.start = await get('start'); // what the folder holds by now
    });
  },

  // Back to the page without a job, as the browser's own button leads there.
  async leave() {
    this.empty(null); this.take(NO_JOB);
    await this.guard(async () => { this.start = await get('start'); });
    this.go('print');
  },

  // What keeps the job or its photo from being measured, '' where nothing does.
  wrong() {
    const fault = this.results?.faults[0];
    return this.state.fault || this.trouble || (fault ? faultWords(fault) : '');
  },

  take(state) {
    this.state = state;
    document.getElementById('title').textContent = state.name || 'Edgewright';
    document.title = state.name ? `${state.name} – Edgewright` : 'Edgewright';
    document.getElementById('undo').disabled = !state.undo;
    document.getElementById('redo').disabled = !state.redo;
    document.getElementById('unit').value = state.unit;
  },

  // Something that changes the job. One change waits for the one before, so that a double press runs against itself nowhere.
  act(what, record, then = () => {}) {
    const { job } = this, done = this.turn.then(() => job === this.job && this.tried(what, record, then));
    this.turn = done.catch(() => {});
    return done;
  },

  // Another window's change is taken in first, then this one is tried again.
  async tried(what, record, then, again = true) {
    if (what in this.state && !this.state[what]) return false; // nothing to undo or redo any more
    try {
      const answer = await post(`job/${this.job}/${what}`, { ...record, revision: this.state.revision });
      this.tell('');
      this.take(answer.state);
      then(answer);
      this.measure();
      return true;
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      if (error.status === 409) return this.merge(what, record, then, again);
      this.tell(error.message, true);
      this.render();
      return false;
    }
  },

  async merge(what, record, then, again) {
    const before = this.state;
    this.take(await get(`job/${this.job}/state`));
    const names = (record.changes ?? [record]).map((c) => c.name ?? c.index);
    const entry = (state, name) => JSON.stringify(state.features.find((f) => f.name === name) ?? null);
    const counted = (record.changes ?? []).some((c) => 'index' in c && c.do.includes('dimension'));
    const same = !counted && what !== 'undo' && what !== 'redo' && names.every((name) => entry(before, name) === entry(this.state, name));
    if (again && same) {
      const kept = await this.tried(what, record, then, false);
      if (kept) this.tell('The job was changed in another window too; both changes are kept.');
      return kept;
    }
    this.tell('Another window changed the same thing; you see its change now. Look, then do yours again.', true);
    this.measure();
    return false;
  },

  change(changes) { return this.act('change', { changes }); },

  // The mark just found, in the list before all else is measured again.
  first(feature) {
    const features = (this.results?.features ?? []).filter((f) => f.name !== feature.name);
    this.results = { ...(this.results ?? { dimensions: [], warnings: [], faults: [], groups: [], frame: '' }), features: [...features, feature] };
  },

  measure() {
    this.busy = true;
    this.render();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.measured(), SETTLE_MS);
  },

  // One question at a time: a browser keeps few connections, and taps must get through.
  async measured() {
    if (!this.job) { this.busy = false; this.render(); return; }
    if (this.asking) { this.again = true; return; }
    this.asking = true;
    const job = this.job, before = this.wrong();
    try {
      if (this.marking?.viewer.picture === null) await this.marking.load();
      const results = await get(`job/${job}/results`);
      if (job !== this.job) this.again = true;
      else if (results.revision !== this.state.revision) { this.take(await get(`job/${job}/state`)); this.again = true; } // another window was quicker
      else await this.came(results, before);
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      if (job === this.job) this.trouble = error.message;
      this.tell(error.message, true);
    }
    this.asking = false;
    if (this.again) { this.again = false; this.measure(); return; }
    this.busy = false;
    this.render();
    this.work();
  },

  async came(results, before) {
    this.results = results; this.trouble = '';
    this.tellSettled(results.warnings);
    if (this.wrong()) this.tell(this.wrong(), true);
    else if (before && told.textContent === before) this.tell('');
    if (this.marking) await this.marking.redraw();
  },

  async make() {
    this.making = true; this.render();
    const made = await this.guard(() => post(`job/${this.job}/make`, {}));
    if (made) { this.made = made; this.take(made.state); this.tell(''); }
    this.making = false; this.render();
  },

  go(step) {
    if (step !== this.step) this.tell(this.wrong(), Boolean(this.wrong()));
    this.step = step; this.render(); this.work();
  },

  // The calculators, worked out while their step is being looked at.
  async work() {
    const fresh = this.worked?.revision === this.state.revision;
    if (this.step !== 'read' || this.working || this.busy || fresh || !this.state.calculators?.length || !this.results) return;
    this.working = true;
    const job = this.job, asked = this.state.revision;
    const worked = await this.guard(() => get(`job/${job}/workings`));
    this.working = false;
    if (!worked || job !== this.job) return;
    this.worked = worked;
    this.render();
    if (this.state.revision !== asked) this.work();
  },

  render() {
    for (const item of document.querySelectorAll('nav button')) {
      const step = item.dataset.step;
      item.disabled = Boolean(!this.job || this.state.fault) && ['mark', 'read', 'make'].includes(step);
      if (step === this.step) item.setAttribute('aria-current', 'step'); else item.removeAttribute('aria-current');
    }
    if (this.step === 'mark' && this.state.photos.length) { this.renderMarking(); return; }
    if (said.parentNode !== document.body) document.body.append(said);
    const steps = { print: printing, shoot: shooting, mark: touching, read: reading, make: making };
    const active = document.activeElement, top = main.scrollTop, same = main.dataset.step === this.step;
    if (same && typing(main)) return;
    const kept = main.contains(active) && (active.id ? `#${active.id}` : active.getAttribute('aria-label') && `[aria-label="${CSS.escape(active.getAttribute('aria-label'))}"]`);
    main.replaceChildren(steps[this.step](this));
    main.dataset.step = this.step;
    if (!same) main.scrollTop = 0;
    else { main.scrollTop = top; if (kept) main.querySelector(kept)?.focus({ preventScroll: true }); }
  },

  renderMarking() {
    if (!this.marking) {
      this.marking = new Marking(this);
      this.guard(() => this.marking.load());
    }
    main.dataset.step = 'mark';
    if (main.firstElementChild !== this.marking.box) {
      this.marking.foot.prepend(said); // over the photo, which must not move under a finger as something is said
      main.replaceChildren(this.marking.box);
    }
    this.marking.show();
  },
};

async function poll() {
  if (store.job && !document.hidden && !store.making) {
    try {
      const { revision } = await get(`job/${store.job}/revision`);
      if (store.state.fault) await mended(store.job);
      else if (revision !== store.state.revision && !store.busy) { store.take(await get(`job/${store.job}/state`)); store.measure(); }
    } catch (error) { if (error.status === 0) store.tell(error.message, true); }
  }
  setTimeout(poll, POLL_MS);
}

// A job that could not be opened is opened once its mistake is mended, or its photo is back.
async function mended(job) {
  const state = await get(`job/${job}/state`);
  if (job !== store.job) return;
  if (!state.fault) await store.enter(job);
  else if (state.fault !== store.state.fault) { store.take(state); store.tell(state.fault, true); }
}

function theme(dark) {
  document.documentElement.dataset.theme = dark ? 'dark' : 'light';
  document.getElementById('theme').textContent = dark ? 'Light' : 'Dark';
  store.marking?.viewer.draw();
}

// What is being typed is not taken away; once it is done, the step is shown anew.
main.addEventListener('input', (event) => { event.target.dataset.typing = 'yes'; });
main.addEventListener('change', (event) => { delete event.target.dataset.typing; });
main.addEventListener('focusout', (event) => {
  if (!event.target.dataset.typing) return;
  delete event.target.dataset.typing;
  setTimeout(() => store.render());
});
document.querySelector('nav').addEventListener('click', (event) => event.target.dataset.step && store.go(event.target.dataset.step));
document.getElementById('undo').addEventListener('click', () => store.act('undo', {}));
document.getElementById('redo').addEventListener('click', () => store.act('redo', {}));
document.getElementById('unit').addEventListener('change', (event) => store.change([{ do: 'change head', set: { unit_out: event.target.value } }]));
document.getElementById('heard').addEventListener('click', () => store.tell(''));
document.getElementById('theme').addEventListener('click', () => theme(document.documentElement.dataset.theme !== 'dark'));
document.addEventListener('keydown', (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.target.matches('input')) return;
  const key = event.key.toLowerCase();
  if (key === 'z' || key === 'y') { event.preventDefault(); store.act(key === 'y' || event.shiftKey ? 'redo' : 'undo', {}); }
});
window.addEventListener('hashchange', () => (location.hash.length > 1 ? store.enter(location.hash.slice(1)) : store.leave()));
theme(matchMedia('(prefers-color-scheme: dark)').matches);

store.guard(async () => {
  store.start = await get('start');
  const job = location.hash.slice(1) || store.start.first;
  if (job && !location.hash) history.replaceState(null, '', `#${job}`);
  if (job) await store.enter(job); else store.render();
  poll();
});
window.page = store; // for looking in from the browser's console
