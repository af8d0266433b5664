/**
 * Starts the page: all views of a hold are loaded with it, so that a server
 * that dies later is not missed. The log and what belongs to it comes later.
 */

import { opensBoard } from './app/access.js';
import { startApp } from './app/compose.js';
import { keptIdentity } from './app/device.js';
import { el, replace, setAttr, setShown, setText } from './app/dom.js';
import { isRunning } from './app/book.js';
import { keepFromLeaving } from './app/leaving.js';
import { later } from './app/later.js';
import { paced } from './app/pace.js';
import { newRouter } from './app/router.js';
import { brokenWords, startWords, troubleWords } from './app/words.js';
import * as breathe from './views/breathe.js';
import * as debrief from './views/debrief.js';
import * as diver from './views/diver.js';
import * as incident from './views/incident.js';
import * as join from './views/join.js';
import * as live from './views/live.js';
import { newNews } from './views/news.js';
import * as place from './views/place.js';
import * as plan from './views/plan.js';
import * as recovery from './views/recovery.js';
import * as siren from './views/siren.js';
import * as soundcheck from './views/soundcheck.js';

/** @param {'files' | 'log' | 'people' | 'readings' | 'report' | 'series' | 'trends'} name */
const apart = (name) => later(() => import('./views/apart.js').then((views) => views[name]));

const views = {
  breathe, debrief, diver, incident, join, live, place, plan, recovery, siren, soundcheck,
  files: apart('files'), log: apart('log'), people: apart('people'), readings: apart('readings'), report: apart('report'),
  series: apart('series'), trends: apart('trends'),
};

const root = /** @type {HTMLElement} */ (document.getElementById('view'));
const invented = /** @type {HTMLElement} */ (document.getElementById('invented'));
const trouble = /** @type {HTMLElement} */ (document.getElementById('trouble'));

/** Lines on top of every view; nothing is drawn anew while they stay the same. */
function newTrouble() {
  let shown = '';
  let broken = '';
  return {
    /** @param {string} words */
    broke(words) {
      broken = words;
    },
    /** @param {string[]} lines */
    show(lines) {
      const all = broken === '' ? lines : [broken, ...lines];
      const text = all.join('\n');
      if (text === shown) return;
      shown = text;
      replace(trouble, all.map((line) => el('p', { class: 'strip' }, line)));
      setShown(trouble, all.length > 0);
    },
  };
}

/**
 * The key that takes a newer version of the page, or the host's, shown only while nobody is at a hold.
 * @param {() => void} take
 */
function newOffer(take) {
  const place = /** @type {HTMLElement} */ (document.getElementById('offer'));
  const key = el('button', { type: 'button', class: 'key', onclick: take });
  replace(place, key);
  return (/** @type {{offered: boolean, unfit: boolean}} */ page) => {
    setText(key, page.unfit ? 'load the page anew' : 'new version: take it');
    setShown(place, page.offered);
  };
}

/** Opens the page as the board of the outing, which is loaded only where it is wanted. */
async function bootBoard() {
  const { openBoard } = await import('./views/board_boot.js');
  await openBoard(root);
}

async function boot() {
  if (opensBoard(location.hash, keptIdentity())) {
    await bootBoard();
    return;
  }
  const says = newTrouble();
  const offer = newOffer(() => app?.takeNewer());
  const news = newNews(/** @type {HTMLElement} */ (document.getElementById('news')), () => app);
  /** @type {import('./app/compose.js').App | null} */
  let app = null;
  /** @type {ReturnType<typeof newRouter> | null} */
  let router = null;
  /** @type {string | undefined} */
  let shownPhase;

  const stay = keepFromLeaving(() => isRunning(app?.frame().status?.phase ?? null));

  const show = () => {
    if (!app || !router) return;
    const frame = app.frame();
    stay();
    setAttr(document.documentElement, 'data-night', frame.prefs.night ? 'on' : null);
    setAttr(document.documentElement, 'data-hand', frame.prefs.hand === 'left' ? 'left' : null);
    setShown(invented, frame.simulated);
    says.show(troubleWords(frame));
    news.show(frame);
    offer(frame.page);
    router.update(frame, app.joined());
    shownPhase = frame.status?.phase;
  };
  const showSoon = paced(show);
  /** Another phase is another thing to do: it is shown at once. */
  const changed = () => (app?.frame().status?.phase === shownPhase ? showSoon() : show());

  app = await startApp({ changed });
  const started = app;
  router = newRouter(root, views, () => started, (name, err) => {
    says.broke(brokenWords(name, err));
    reportError(err);
  });
  const routing = router;
  started.go = (name, params) => {
    routing.go(name, params);
    started.params = routing.params();
    show();
  };
  // Sound may only begin inside a touch or a key, so every one of them arms it: a mouse as it goes down, a finger as it lifts.
  for (const type of ['pointerdown', 'pointerup', 'click', 'keydown']) addEventListener(type, () => started.sound.arm(), { capture: true });
  /** @type {any} */ (globalThis).buddyclock = started;
  show();
}

boot().catch((err) => {
  replace(root, startWords(err).map((line) => el('p', null, line)));
  reportError(err);
});
