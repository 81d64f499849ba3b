// Questions to the server. Every address starts with the page's own, which holds the token.
const base = new URL('.', location.href).pathname;

export class Fault extends Error {
  constructor(text, status) { super(text); this.status = status; }
}

async function answer(response) {
  let record;
  try { record = await response.json(); } catch { record = { error: `The server answered ${response.status}.` }; }
  if (!response.ok) throw new Fault(record.error, response.status);
  return record;
}

async function sent(address, options) {
  let response;
  try { response = await fetch(base + address, options); }
  catch { throw new Fault('The program is not running any more. Every mark is saved; start it again and reload.', 0); }
  return answer(response);
}

export const address = (path) => base + path;
export const get = (path) => sent(path, { cache: 'no-store' });
export const post = (path, record) => sent(path, {
  method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(record),
});
export const put = (path, file) => sent(path, { method: 'PUT', body: file });
