/**
 * The few helpers every view builds its elements with. Nothing here parses
 * HTML: text becomes text nodes and styles go through the style object, so a
 * name typed by a person can never become markup, and the page's content
 * security policy needs no exception.
 */

/**
 * What an element may hold: a node, text, a number, or nothing at all.
 * Arrays are flattened.
 * @typedef {Node | string | number | null | undefined | false | any[]} Child
 */

/**
 * Properties of an element. `class` sets classes; `style` takes an object of
 * CSS properties (custom ones too) and goes through the style object;
 * `dataset` takes an object; a function under `onclick`, `oninput` … becomes
 * a listener; `true` sets an empty attribute; `false`, `null` and `undefined`
 * leave it out; everything else becomes an attribute.
 * @typedef {Record<string, any>} Props
 */

const SVG_NS = 'http://www.w3.org/2000/svg';

/**
 * @param {Node} parent
 * @param {Child[]} children
 */
function append(parent, children) {
  for (const child of children) {
    if (Array.isArray(child)) append(parent, child);
    else if (child instanceof Node) parent.appendChild(child);
    else if (child !== null && child !== undefined && child !== false) {
      parent.appendChild(document.createTextNode(String(child)));
    }
  }
}

/**
 * @param {HTMLElement | SVGElement} node
 * @param {Props} props
 */
function setProps(node, props) {
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === 'function' && name.startsWith('on')) {
      node.addEventListener(name.slice(2).toLowerCase(), value);
    } else if (name === 'style' && typeof value === 'object') {
      for (const [key, v] of Object.entries(value)) setStyle(node, key, v);
    } else if (name === 'dataset' && typeof value === 'object') {
      for (const [key, v] of Object.entries(value)) node.dataset[key] = String(v);
    } else if (name === 'value' && 'value' in node) {
      /** @type {any} */ (node).value = value;
    } else if (name === 'className') {
      node.setAttribute('class', String(value));
    } else if (name === 'htmlFor') {
      node.setAttribute('for', String(value));
    } else {
      node.setAttribute(name, value === true ? '' : String(value));
    }
  }
}

/**
 * Makes an HTML element: `el('button', {class: 'far', onclick: up}, 'up')`.
 * Children come before properties are set, so that a select's `value` finds
 * its options.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Props | null} [props]
 * @param {...Child} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function el(tag, props, ...children) {
  const node = document.createElement(tag);
  append(node, children);
  if (props) setProps(node, props);
  return node;
}

/**
 * Makes an SVG element.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Props | null} [attrs]
 * @param {...Child} children
 * @returns {SVGElementTagNameMap[K]}
 */
export function svg(tag, attrs, ...children) {
  const node = /** @type {SVGElementTagNameMap[K]} */ (document.createElementNS(SVG_NS, tag));
  append(node, children);
  if (attrs) setProps(/** @type {any} */ (node), attrs);
  return node;
}

/**
 * Shows `text` in `node`, touching the page only when it differs from what is
 * shown: views call this four times a second.
 * @param {Node} node
 * @param {string | number | null | undefined} text
 */
export function setText(node, text) {
  const next = text === null || text === undefined ? '' : String(text);
  if (node.textContent !== next) node.textContent = next;
}

/**
 * Sets an attribute only on change; `null`, `undefined` and `false` take it
 * away, `true` sets it empty.
 * @param {Element} node
 * @param {string} name
 * @param {string | number | boolean | null | undefined} value
 */
export function setAttr(node, name, value) {
  if (value === null || value === undefined || value === false) {
    if (node.hasAttribute(name)) node.removeAttribute(name);
    return;
  }
  const next = value === true ? '' : String(value);
  if (node.getAttribute(name) !== next) node.setAttribute(name, next);
}

/**
 * Adds or removes a class only on change.
 * @param {Element} node
 * @param {string} name
 * @param {boolean} on
 */
export function setClass(node, name, on) {
  if (node.classList.contains(name) !== on) node.classList.toggle(name, on);
}

/**
 * Sets one CSS property (also a custom one) only on change; `null` removes it.
 * @param {HTMLElement | SVGElement} node
 * @param {string} name as in CSS (`margin-top`, `--fill`) or in camel case
 * @param {string | number | null | undefined} value
 */
export function setStyle(node, name, value) {
  const key = name.startsWith('--') ? name : name.replace(/[A-Z]/g, (c) => '-' + c.toLowerCase());
  const next = value === null || value === undefined ? '' : String(value);
  if (node.style.getPropertyValue(key) === next) return;
  if (next === '') node.style.removeProperty(key);
  else node.style.setProperty(key, next);
}

/**
 * Shows or hides a node by its `hidden` attribute, only on change.
 * @param {HTMLElement} node
 * @param {boolean} shown
 */
export function setShown(node, shown) {
  if (node.hidden === shown) node.hidden = !shown;
}

/**
 * As `replace`, but the button that had the keyboard's focus has it again, found by its words.
 * @param {HTMLElement} node
 * @param {...Child} children
 */
export function refill(node, ...children) {
  const words = (/** @type {Element} */ n) => n.getAttribute('aria-label') ?? n.textContent;
  const focused = node.contains(document.activeElement) ? words(/** @type {Element} */ (document.activeElement)) : null;
  replace(node, ...children);
  if (focused !== null) [...node.querySelectorAll('button')].find((n) => words(n) === focused)?.focus({ preventScroll: true });
}

/**
 * Puts `children` in place of whatever `node` held.
 * @param {Node} node
 * @param {...Child} children
 */
export function replace(node, ...children) {
  while (node.firstChild) node.removeChild(node.firstChild);
  append(node, children);
}
