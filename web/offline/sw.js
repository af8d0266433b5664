/**
 * Keeps the page on the phone, so that it opens and runs with no server at
 * all. The server puts one line before this file: which version it is of, and
 * that version's files. A version is kept whole or not at all, every address
 * but the index's carries its version, and the version that a phone opens is
 * the one a person took last: neither a reload nor a crash changes it.
 */

/**
 * @typedef {object} PageFiles
 * @property {string} version
 * @property {string} index its address
 * @property {string[]} files their addresses
 */

const scope = /** @type {ServiceWorkerGlobalScope} */ (/** @type {unknown} */ (self));
/** @type {PageFiles} */
const page = /** @type {any} */ (self).buddyclockPage;

/** Holds the name of the version that is opened. */
const CHOICE = 'buddyclock';
const CHOSEN = '/chosen-version';
const KEPT = 'buddyclock-';

/** The version a person has taken, `''` before the first was kept. */
async function chosen() {
  const kept = await caches.match(CHOSEN, { cacheName: CHOICE });
  return kept ? kept.text() : '';
}

/** @param {string} version */
async function choose(version) {
  const cache = await caches.open(CHOICE);
  await cache.put(CHOSEN, new Response(version));
}

/** Puts this version on the phone; it fails, and leaves nothing, where one file is missing. */
async function keep() {
  const name = KEPT + page.version;
  try {
    const cache = await caches.open(name);
    await cache.addAll([page.index, ...page.files]);
  } catch (err) {
    if ((await chosen()) !== page.version) await caches.delete(name);
    throw err;
  }
  const before = await chosen();
  if (before === '' || !(await caches.has(KEPT + before))) await choose(page.version);
}

/** Lets go of versions that nobody will open again. */
async function tidy() {
  const wanted = new Set([CHOICE, KEPT + page.version, KEPT + (await chosen())]);
  for (const name of await caches.keys()) {
    if (name.startsWith(CHOICE) && !wanted.has(name)) await caches.delete(name);
  }
}

/** A person has asked for this version. */
async function take() {
  const before = await chosen();
  await choose(page.version);
  if (before !== page.version) await caches.delete(KEPT + before);
  await scope.skipWaiting();
}

/** @param {Request} request */
async function opened(request) {
  const version = await chosen();
  const kept = await caches.match(page.index.replace(page.version, version), { cacheName: KEPT + version, ignoreVary: true });
  return kept ?? fetch(request);
}

/** @param {Request} request */
async function fileOf(request) {
  return (await caches.match(request, { ignoreVary: true })) ?? fetch(request);
}

scope.addEventListener('install', (e) => e.waitUntil(keep()));
scope.addEventListener('activate', (e) => e.waitUntil(tidy().then(() => scope.clients.claim())));

scope.addEventListener('fetch', (e) => {
  const { request } = e;
  const url = new URL(request.url);
  if (request.method !== 'GET' || url.origin !== scope.location.origin) return;
  if (request.mode === 'navigate') {
    if (url.pathname === '/') e.respondWith(opened(request));
  } else if (url.pathname.startsWith('/v/')) {
    e.respondWith(fileOf(request));
  }
});

scope.addEventListener('message', (e) => {
  const answer = () => e.ports[0]?.postMessage({ version: page.version });
  if (e.data?.do === 'which') answer();
  if (e.data?.do === 'take') e.waitUntil(take().then(answer));
});
