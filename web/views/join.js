/**
 * The way in: a code where there was no link, the pair and the role, a name.
 * And the way in for the next phone: a picture to scan, a code to type, a link.
 */

import { el, replace, setAttr, setShown, setText } from '../app/dom.js';
import { later } from '../app/later.js';
import { codeProblem, joinProblem, likelyRole, nameProblem, pairWords, tidyCode } from '../app/join_form.js';
import { choice, field, fitPx, key, row, strip } from './sheet.js';

/** @typedef {import('../app/join_form.js').PairOffered} PairOffered */

const ROLES = /** @type {const} */ ([['buddy', 'buddy'], ['diver', 'diver'], ['siren', 'siren']]);

/** The sheet that lets another phone in needs the host in any case. */
const invite = later(() => import('./apart.js').then((views) => views.invite));

/** In place of a pair: this device sounds the alarms of all of them. */
const ALL = 'all';

/** @type {Record<string, string>} */
const ROLE_WORDS = {
  buddy: 'prompts, takes the presses, keeps the log',
  diver: 'answers taps in dry holds, dark otherwise',
  siren: 'sounds the alarms, nothing else',
  instructor: 'the board: sees and hears all pairs',
};

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{invite?: boolean}} [params]
 */
export function mount(root, app, params = {}) {
  if (params.invite) return invite.mount(root, app, params);
  const page = el('main', { class: 'page scroll join' });
  root.append(page);
  const show = () => {
    const sheet = app.access.secret ? pairSheet(app) : codeSheet(app, show);
    replace(page, head(), sheet);
    fitTitle();
    page.querySelector('input')?.focus({ preventScroll: true });
  };
  const fitTitle = () => {
    const title = page.querySelector('h1');
    if (title && page.clientWidth > 0) title.style.fontSize = `${fitPx('Buddyclock', (page.clientWidth * 2) / 3 - 24, 42)}px`;
  };
  const watcher = new ResizeObserver(fitTitle);
  watcher.observe(page);
  show();
  return {
    update() {},
    unmount() {
      watcher.disconnect();
      page.remove();
    },
  };
}

function head() {
  return el('div', { class: 'sheet head' },
    row('', { plain: true }, el('h1', { class: 'display name' }, 'Buddyclock')),
    row('', { plain: true }, el('p', { class: 'sub' }, 'a buddy’s clock for static apnea. Never alone.')));
}

/** For whom this is, and what comes before it: said once on the way in, and again at every breathe-up. */
function cautionRow() {
  return row('cautions', { class: 'tall', plain: true },
    el('p', { class: 'sub' }, 'For people trained to do this with a partner. Your training and local rules come first.'),
    el('p', { class: 'sub' }, 'No hyperventilation. After a blackout or LMC no more holds that day.'),
    el('p', { class: 'sub' }, 'A timer and a log: not a medical device.'));
}

/** @param {any} app */
function lacking(app) {
  const lines = app.lacks ?? [];
  return lines.length > 0 ? [strip(...lines)] : [];
}

/**
 * @param {any} app
 * @param {string} label
 * @param {() => Promise<void>} what
 * @param {() => string} named the name to go on alone under
 */
function goKey(app, label, what, named) {
  const said = el('p', { class: 'said', role: 'status', hidden: true });
  // One phone alone can do the whole job, so an absent host keeps nobody out.
  const alone = key('go on with this phone alone', async () => {
    app.sound?.arm?.();
    await app.access.alone(named());
    app.go(null);
  }, { class: 'alone-key' });
  alone.hidden = true;
  const go = el('button', {
    type: 'button',
    class: 'go fill',
    onclick: async () => {
      setAttr(go, 'disabled', true);
      setShown(said, false);
      try {
        await what();
      } catch (err) {
        without(/** @type {any} */ (err) ?? {});
      } finally {
        setAttr(go, 'disabled', null);
      }
    },
  }, el('span', { class: 'display' }, label));
  /** @param {{code?: string, reason?: string}} err */
  const without = (err) => {
    setText(said, joinProblem(err));
    setShown(said, true);
    setShown(alone, err.code === 'no-server');
  };
  return { node: el('div', { class: 'go-bar' }, said, alone, go), key: go, alone, without };
}

/**
 * @param {any} app
 * @param {() => void} next
 */
function codeSheet(app, next) {
  let text = '';
  const code = field({
    label: 'code', class: 'code', value: '', name: 'code', mode: 'text', plain: true,
    onInput: (t) => {
      text = t;
      code.problem(null);
    },
    onEnter: () => go.key.click(),
    beside: [el('p', { class: 'sub' }, 'stands on the first phone under “add a phone”, and on the host’s screen')],
  });
  setAttr(code.input, 'autocapitalize', 'characters');
  // A page that the phone keeps opens with no host at all: there is no code to type then.
  app.access.reach().then((/** @type {boolean} */ there) => {
    if (!there) go.without({ code: 'no-server' });
  });
  const go = goKey(app, 'go on', async () => {
    const problem = codeProblem(text);
    code.problem(problem);
    if (problem) {
      code.input.focus();
      return;
    }
    await app.access.redeem(tidyCode(text));
    next();
  }, () => '');
  return el('div', { class: 'join-body' }, el('div', { class: 'sheet' }, code.node), ...lacking(app), go.node);
}

/** @param {any} app */
function pairSheet(app) {
  /** @type {PairOffered[]} */
  let pairs = [];
  let pair = 'new';
  let role = 'buddy';
  let named = '';
  let chosen = false;
  const pairBox = el('div', { class: 'pairs' });
  const roles = app.access.instructor ? [...ROLES, /** @type {const} */ (['instructor', 'instructor'])] : ROLES;
  const rolePick = choice('role', /** @type {any} */ (roles), (v) => {
    role = String(v);
    chosen = true;
    draw();
  });
  const roleSub = el('p', { class: 'sub' });
  const name = field({
    label: 'your name', class: 'strong', value: '', name: 'name',
    onInput: (t) => {
      named = t;
      name.problem(null);
    },
    onEnter: () => go.key.click(),
  });
  const go = goKey(app, 'start', async () => {
    app.sound?.arm?.();
    const problem = nameProblem(named, role);
    name.problem(problem);
    if (problem) {
      name.input.focus();
      return;
    }
    const all = role === 'instructor' || pair === ALL;
    await app.access.join({ pair: all ? '' : pair, role: pair === ALL && role !== 'instructor' ? 'siren' : role, name: named.trim() });
    app.go(null);
  }, () => named.trim());

  /** @type {{node: HTMLElement, set: (chosen: string | null) => void} | null} */
  let pairPick = null;
  const offer = () => {
    pairPick = choice('pair', [
      ...pairs.map((p) => /** @type {[string, string]} */ ([p.pair, pairWords(p)])),
      ['new', 'a new pair'],
      [ALL, 'all: a siren'],
    ], (v) => {
      pair = v;
      if (v === ALL) role = 'siren';
      else if (!chosen) role = likelyRole(pairs.find((p) => p.pair === v) ?? null);
      draw();
    });
    replace(pairBox, pairPick.node);
  };
  function draw() {
    pairPick?.set(pair);
    rolePick.set(role);
    setText(roleSub, ROLE_WORDS[role] ?? '');
    setText(/** @type {Node} */ (go.key.firstChild), pair === 'new' && role !== 'instructor' ? 'start a pair' : 'join');
  }
  // Nothing is to be chosen before the pairs are known: a list that grows moves what a finger is about to touch.
  const phoneRow = row('this phone', { class: 'tall' }, rolePick.node, roleSub);
  /** @param {boolean} known */
  const show = (known) => {
    for (const node of [phoneRow, name.node, go.node]) setShown(node, known);
  };
  show(false);
  replace(pairBox, el('p', { class: 'sub', role: 'status' }, 'asking which pairs there are'));
  draw();
  app.access.pairs().then((/** @type {any} */ told) => {
    pairs = told.pairs ?? [];
    if (pairs.length > 0) {
      pair = pairs[0].pair;
      role = chosen ? role : likelyRole(pairs[0]);
    }
    offer();
    draw();
    show(true);
  }).catch((/** @type {any} */ err) => {
    offer();
    draw();
    pairBox.append(el('p', { class: 'problem', role: 'status' }, joinProblem(err)));
    show(true);
    setShown(go.alone, err?.code === 'no-server');
  });

  return el('div', { class: 'join-body' },
    el('div', { class: 'sheet' }, row('pair', { class: 'tall' }, pairBox),
      phoneRow, name.node, cautionRow()),
    ...lacking(app), go.node);
}
