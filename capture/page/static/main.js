// The page: one store, five steps.
import { Fault, get, post, put } from './ask.js';
import { Marking } from './marking.js';
import { typing } from './build.js';
import { making } from './making.js';
import { reading } from './reading.js';
import { printing, shooting } from './starting.js';
import { touching } from './touching.js';

const POLL_MS = 2500, SETTLE_MS = 250;
const main = document.getElementById('main'), told = document.getElementById('told'), said = document.getElementById('said');

const store = {
  job: null, state: { photos: [], features: [], undo: 0, redo: 0, unit: 'mm' }, results: null, start: { files: [], samples: {} },
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
    await this.guard(async () => { const { job } = await post('open', what); location.hash = job; });
  },

  async upload(file) {
    this.tell(`${file.name} is being taken in …`);
    await this.guard(async () => { const { job } = await put(`upload/${encodeURIComponent(file.name)}`, file); this.tell(''); location.hash = job; });
  },

  async enter(job) {
    this.job = job; this.results = null; this.made = null; this.marking = null; this.worked = null; this.sheet = null;
    this.wish = { kind: 'distance', from: '', to: '' };
    await this.guard(async () => {
      this.take(await get(`job/${job}/state`));
      if (this.state.fault) { this.tell(this.state.fault, true); return; }
      this.go(this.state.photos.length ? 'mark' : 'read');
      this.measure();
    });
  },

  take(state) {
    this.state = state;
    document.getElementById('title').textContent = state.name || 'Edgewright';
    document.title = `${state.name || 'Edgewright'} – Edgewright`;
    document.getElementById('undo').disabled = !state.undo;
    document.getElementById('redo').disabled = !state.redo;
    document.getElementById('unit').value = state.unit;
  },

  // Something that changes the job. Another window's change is taken in first, then this one is tried again.
  async act(what, record, then = () => {}, again = true) {
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
      const kept = await this.act(what, record, then, false);
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
    if (this.asking) { this.again = true; return; }
    this.asking = true;
    const job = this.job;
    await this.guard(async () => {
      if (this.marking?.viewer.picture === null) await this.marking.load();
      const results = await get(`job/${job}/results`);
      if (job !== this.job) { this.again = true; return; }
      if (results.revision !== this.state.revision) {  // another window was quicker
        this.take(await get(`job/${job}/state`));
        this.again = true;
        return;
      }
      this.results = results;
      this.tellSettled(results.warnings);
      const fault = results.faults[0];
      if (fault) this.tell(`${fault.source}: ${fault.text}`, true);
      if (this.marking) await this.marking.redraw();
    });
    this.asking = false;
    if (this.again) { this.again = false; this.measure(); return; }
    this.busy = false;
    this.render();
    this.work();
  },

  async make() {
    this.making = true; this.render();
    const made = await this.guard(() => post(`job/${this.job}/make`, {}));
    if (made) { this.made = made; this.take(made.state); this.tell(''); }
    this.making = false; this.render();
  },

  go(step) {
    const fault = this.results?.faults[0];
    if (step !== this.step) this.tell(fault ? `${fault.source}: ${fault.text}` : '', Boolean(fault));
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
      item.disabled = !this.job && ['mark', 'read', 'make'].includes(step);
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
      if (revision !== store.state.revision && !store.busy) { store.take(await get(`job/${store.job}/state`)); store.measure(); }
    } catch (error) { if (error.status === 0) store.tell(error.message, true); }
  }
  setTimeout(poll, POLL_MS);
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
window.addEventListener('hashchange', () => location.hash.length > 1 && store.enter(location.hash.slice(1)));
theme(matchMedia('(prefers-color-scheme: dark)').matches);

store.guard(async () => {
  store.start = await get('start');
  const job = location.hash.slice(1) || store.start.first;
  if (job && !location.hash) history.replaceState(null, '', `#${job}`);
  if (job) await store.enter(job); else store.render();
  poll();
});
window.page = store; // for looking in from the browser's console
