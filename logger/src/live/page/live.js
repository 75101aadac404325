'use strict';
// The technician's page. Takes snapshots by server-sent events, shows them, and sends marks and runs. Text reaches the
// page through textContent only. Nothing is fetched from anywhere but the logger.

const byId = (id) => document.getElementById(id);
const OLD_MS = 2500; // Four snapshots come in a second: after ten missed ones the numbers are old.
const WATCHDOG_MS = 6000; // A connection that is dead without saying so is given up.

// ---------------------------------------------------------------------------------------------- what is kept

function kept(store, key) {
  try { return store.getItem(key); } catch { return null; }
}
function keep(store, key, value) {
  try { store.setItem(key, value); } catch { /* Private windows may refuse; the page works without. */ }
}

const given = new URLSearchParams(location.search).get('token');
if (given) {
  keep(sessionStorage, 'token', given);
  // The token need not stay in sight or in the history.
  history.replaceState(null, '', '/');
}
const token = given || kept(sessionStorage, 'token');

// ---------------------------------------------------------------------------------------------- the connection

let now = null; // Latest snapshot.
let heardAt = 0; // When it came, by the device's clock.
let aheadUs = null; // Logger's clock less the device's, so that a mark set while offline gets the logger's time.
let source = null;
let triedAt = 0;

function connect() {
  if (source) source.close();
  triedAt = Date.now();
  source = new EventSource('/values');
  source.onmessage = (event) => {
    heardAt = Date.now();
    now = JSON.parse(event.data);
    aheadUs = now.at_us - heardAt * 1000;
    document.body.classList.remove('waiting', 'offline');
    show(now);
    flush();
  };
}

async function permission() {
  // The cookie may be gone while this page still has the token; asking with it sets the cookie again.
  try {
    const answer = await fetch(token ? `/snapshot?token=${encodeURIComponent(token)}` : '/snapshot', { cache: 'no-store' });
    return answer.status !== 401;
  } catch { return true; }
}

async function tick() {
  const silentMs = Date.now() - (heardAt || triedAt);
  const bar = byId('connection');
  if (silentMs > OLD_MS) {
    document.body.classList.add('offline');
    bar.hidden = false;
    const since = now ? `The numbers are ${ageText(silentMs / 1000)} old.` : 'No numbers yet.';
    setText(bar, `No connection to the logger. ${since} Recording does not depend on this page.`);
    if (now) showAges(silentMs / 1000);
    if (now && now.recording) setText(byId('rec-word'), `Was ${REC_WORDS[now.recording.state]}`);
  } else {
    bar.hidden = true;
  }
  if (silentMs > WATCHDOG_MS && Date.now() - triedAt > WATCHDOG_MS / 2) {
    triedAt = Date.now();
    if (await permission()) {
      connect();
    } else {
      setText(bar, 'The logger does not know this page any more. Open the address with the token that it printed.');
    }
  }
}

document.addEventListener('visibilitychange', () => {
  if (!document.hidden && Date.now() - heardAt > OLD_MS) connect();
});

// ---------------------------------------------------------------------------------------------- showing

function setText(element, text) {
  // Only what changes is touched, so that screen readers and the battery rest.
  if (element.textContent !== text) element.textContent = text;
}
function setClass(element, name) {
  if (element.className !== name) element.className = name;
}
function element(tag, className, text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

function ageText(seconds) {
  if (seconds < 10) return `${seconds.toFixed(1)} s`;
  if (seconds < 120) return `${seconds.toFixed(0)} s`;
  if (seconds < 7200) return `${(seconds / 60).toFixed(0)} min`;
  return `${(seconds / 3600).toFixed(1)} h`;
}
function elapsed(fromUs, toUs) {
  const s = Math.max(0, Math.floor((toUs - fromUs) / 1e6));
  const two = (n) => String(n).padStart(2, '0');
  return `${Math.floor(s / 3600)}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}`;
}
function clockText(us) {
  return new Date(us / 1000).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', second: '2-digit', hourCycle: 'h23' });
}

function show(snapshot) {
  showRecording(snapshot);
  showChips(snapshot);
  showAlarms(snapshot.alarms);
  showChannels(snapshot.channels);
  showAges(0);
}

const REC_WORDS = { recording: 'Recording', paused: 'NOT recording', ending: 'Ending' };

function showRecording(snapshot) {
  const recording = snapshot.recording;
  setClass(byId('rec'), `rec ${recording ? recording.state : 'off'}`);
  setText(byId('rec-word'), recording ? REC_WORDS[recording.state] : 'Not recording');
  setText(byId('rec-clock'), recording ? elapsed(recording.since_us, snapshot.at_us) : '');
  const session = recording ? `Session ${recording.session}` : `Vehicle ${snapshot.vehicle}`;
  const marks = recording && recording.marks ? `, ${recording.marks} ${recording.marks === 1 ? 'mark' : 'marks'}` : '';
  setText(byId('session'), session + marks);
  const run = recording && recording.run;
  const word = { baseline: 'assist off', assist: 'assist on' };
  setText(byId('run'), run ? `Run ${run.run}, ${run.route}, ${word[run.condition]}, ${elapsed(run.since_us, snapshot.at_us)}` : 'No run');
  const button = byId('run-button');
  setText(button, run ? 'Stop run' : 'Start run');
  button.disabled = !recording;
  byId('mark-now').disabled = byId('mark-text').disabled = !recording;
}

const DOTS = { listening: '●', silent: '○', gone: '✕' };

function showChips(snapshot) {
  const chips = snapshot.ports.map((port) => ({
    name: port.state,
    dot: DOTS[port.state],
    text: port.state === 'listening' ? `${port.name} ok ${port.rate_hz.toFixed(0)}/s` : `${port.name} ${port.state.toUpperCase()}`,
  }));
  if (snapshot.disk && snapshot.disk.hours_left !== null) {
    const hours = snapshot.disk.hours_left;
    const room = hours >= 48 ? `${(hours / 24).toFixed(0)} days` : `${hours.toFixed(hours < 10 ? 1 : 0)} h`;
    chips.push({ name: hours < 2 ? 'low' : 'room', dot: hours < 2 ? '▲' : '■', text: `disk ${hours > 8784 ? 'over a year' : room}` });
  }
  const list = byId('chips');
  while (list.children.length > chips.length) list.lastChild.remove();
  chips.forEach((chip, i) => {
    const item = list.children[i] || list.appendChild(element('li'));
    setClass(item, chip.name);
    if (!item.firstChild) item.append(element('span', 'dot'), element('span'));
    setText(item.firstChild, chip.dot);
    item.firstChild.setAttribute('aria-hidden', 'true');
    setText(item.lastChild, ` ${chip.text}`);
  });
}

const ALARM_WORDS = { grave: 'ALARM', warning: 'Warning', note: 'Note' };

function showAlarms(alarms) {
  const list = byId('alarms');
  const rows = alarms.length ? alarms : [{ gravity: 'well', text: 'No alarms.' }];
  while (list.children.length > rows.length) list.lastChild.remove();
  rows.forEach((alarm, i) => {
    const item = list.children[i] || list.appendChild(element('li'));
    if (!item.firstChild) item.append(element('span', 'word'), element('span'));
    setClass(item, alarm.gravity);
    setText(item.firstChild, ALARM_WORDS[alarm.gravity] || '');
    setText(item.lastChild, alarm.text);
  });
}

const tiles = new Map();
const keyOf = (channel) => `${channel.channel} ${channel.position || ''}`;

function showChannels(channels) {
  if (channels.some((c) => !tiles.has(keyOf(c)))) layOut(channels);
  for (const channel of channels) {
    const tile = tiles.get(keyOf(channel));
    tile.channel = channel;
    const heat = channel.limit ? (channel.limit.is_top ? ' burning' : ' hot') : '';
    setClass(tile.root, `tile ${channel.state}${heat}`);
    setClass(tile.number, sizeOf(tile, channel.text, channel.text_unit));
    setText(tile.value, channel.text);
    setText(tile.unit, channel.text_unit);
  }
}

/**
 * The largest size in which a text and its unit fit the 142 px of a tile on the narrowest phone, in a wide typeface. A tile
 * keeps the room that its longest text has needed, so that numbers do not jump between sizes.
 */
function sizeOf(tile, text, unit) {
  const marks = (text.match(/[.,]/g) || []).length;
  tile.ems = Math.max(tile.ems, (text.length - marks) * 0.7 + marks * 0.38);
  const fits = [['number', 38], ['number long', 26]].find(([, px]) => px * tile.ems + 9.3 * unit.length + 4 <= 142);
  return fits ? fits[0] : 'number longer';
}

const STATE_WORDS = { stale: 'STALE', never: 'never seen', out_of_range: 'OUT OF RANGE', missing: 'not available' };

function showAges(more) {
  for (const { age, channel } of tiles.values()) {
    const parts = [];
    if (channel.limit) parts.push(`ABOVE ${channel.limit.limit_c} °C`);
    if (STATE_WORDS[channel.state]) parts.push(STATE_WORDS[channel.state]);
    if (channel.age_s !== null) parts.push(ageText(channel.age_s + more));
    setText(age, parts.join(', '));
  }
}

const ORDER = ['Motion', 'Engine', 'Pack', 'Motors', 'Weather', 'Own channels'];

function layOut(channels) {
  const main = byId('channels');
  main.replaceChildren();
  tiles.clear();
  const groups = new Set([...ORDER.filter((group) => channels.some((c) => c.group === group)), ...channels.map((c) => c.group)]);
  for (const group of groups) {
    main.append(element('h2', '', group));
    const inGroup = channels.filter((c) => c.group === group);
    for (const position of new Set(inGroup.map((c) => c.position || ''))) {
      if (position) main.append(element('h3', '', position));
      const grid = main.appendChild(element('div', 'tiles'));
      inGroup.filter((c) => (c.position || '') === position).forEach((c) => grid.append(tileOf(c)));
    }
  }
}

function tileOf(channel) {
  const root = element('button', 'tile');
  root.type = 'button';
  root.dataset.channel = keyOf(channel).trim();
  const number = element('span', 'number');
  const tile = { root, number, value: element('span', 'value'), unit: element('span', 'unit'), age: element('span', 'age'), channel, ems: 0 };
  number.append(tile.value, tile.unit);
  root.append(element('span', 'label', channel.label), number, tile.age);
  root.addEventListener('click', () => showFacts(tile.channel));
  tiles.set(keyOf(channel), tile);
  return root;
}

function showFacts(c) {
  setText(byId('channel-title'), c.position ? `${c.label}, ${c.position}` : c.label);
  setText(byId('channel-doc'), c.doc);
  const number = (value) => (value === null ? '–' : `${Number(value.toPrecision(6))} ${c.unit}`);
  const calibration = { in_date: 'in date', due: 'DUE', future: 'dated after today', undated: 'undated', none_given: 'none given' };
  const until = c.calibration.until ? `, until ${c.calibration.until}${c.calibration.is_assumed ? ' (a year assumed)' : ''}` : '';
  const facts = [
    ['Channel', c.channel],
    ['Value', number(c.value)],
    ['State', `${STATE_WORDS[c.state] || 'ok'}; stale after ${c.max_gap_s} s`],
    ['Lowest, highest', `${number(c.min)}, ${number(c.max)}`],
    ['Values', `${c.samples}, ${c.rate_hz.toFixed(1)} a second`],
    ['Not available', String(c.missing)],
    ['Out of range', `${c.out_of_range} outside ${c.plausible[0]} to ${c.plausible[1]} ${c.unit}`],
    ['Calibration', calibration[c.calibration.state] + until],
    ['Certificate', c.calibration.certificate || '–'],
    ['Port', c.port],
  ];
  byId('channel-facts').replaceChildren(...facts.flatMap(([name, value]) => [element('dt', '', name), element('dd', '', value)]));
  byId('channel-dialog').showModal();
}

// ---------------------------------------------------------------------------------------------- marks and runs

const newId = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, '0')).join('');
const who = () => (kept(localStorage, 'who') || '').trim() || null;

/** Sends and gives [was it settled, sentence]. Not settled: the connection failed, or the recorder has not answered. */
async function post(path, body) {
  const headers = { 'Content-Type': 'application/json' };
  if (token) headers.Authorization = `Bearer ${token}`;
  const limit = AbortSignal.timeout ? AbortSignal.timeout(8000) : undefined;
  try {
    const answer = await fetch(path, { method: 'POST', headers, body: JSON.stringify(body), signal: limit });
    const said = await answer.json().catch(() => ({ text: `answer ${answer.status}` }));
    return { settled: ![401, 503, 504].includes(answer.status), done: answer.ok, text: said.text };
  } catch {
    return { settled: false, done: false, text: 'no connection' };
  }
}

let queue = JSON.parse(kept(sessionStorage, 'queue') || '[]');
let isFlushing = false;

function mark(text, atMs) {
  const atUs = aheadUs === null ? null : Math.round(atMs * 1000 + aheadUs);
  queue.push({ id: newId(), text, at_us: atUs, who: who() });
  saveQueue();
  flush();
}

function saveQueue() {
  keep(sessionStorage, 'queue', JSON.stringify(queue));
  showSaid();
}

async function flush() {
  if (isFlushing || !queue.length) return;
  isFlushing = true;
  while (queue.length) {
    // The logger knows the id, so that a mark whose answer was lost is not set twice.
    const answer = await post('/mark', queue[0]);
    if (!answer.settled) break;
    const sent = queue.shift();
    saveQueue();
    say(answer.done ? answer.text : `Mark “${sent.text}” was refused: ${answer.text}`, !answer.done);
  }
  isFlushing = false;
  showSaid();
}

const said = [];

function say(text, isFailed) {
  said.unshift({ text, isFailed, at: aheadUs === null ? Date.now() * 1000 : Date.now() * 1000 + aheadUs });
  said.length = Math.min(said.length, 8);
  showSaid();
}

function showSaid() {
  const why = document.body.classList.contains('offline') ? 'Waiting for the connection' : 'Sending';
  const waiting = queue.map((m) => element('li', 'waits', `${why}: mark “${m.text}”${m.at_us === null ? '' : ` of ${clockText(m.at_us)}`}`));
  const done = said.map((s) => element('li', s.isFailed ? 'failed' : '', `${clockText(s.at)}  ${s.text}`));
  const rows = [...waiting, ...done];
  byId('said').replaceChildren(...(rows.length ? rows : [element('li', 'none', 'Nothing yet.')]));
}

function fault(form, text) {
  const place = form.querySelector('.fault');
  place.hidden = !text;
  setText(place, text || '');
  if (text) place.scrollIntoView({ block: 'center' });
}

/** A number as people write it, with a comma or a point. */
function numberOf(form, name) {
  const text = form.elements[name].value.trim();
  if (!text) return null;
  const value = Number(text.replace(',', '.').replace('−', '-'));
  if (!Number.isFinite(value)) throw new Error(`“${text}” is not a number.`);
  return value;
}

async function send(form, path, body) {
  const button = form.querySelector('[type=submit]');
  // The same id until the form is settled: a second press is not a second run.
  form.dataset.id ||= newId();
  button.disabled = true;
  const answer = await post(path, { ...body, id: form.dataset.id, who: who() });
  button.disabled = false;
  if (answer.settled) delete form.dataset.id;
  if (!answer.done) return fault(form, `Not recorded: ${answer.text}.`);
  say(answer.text, false);
  form.closest('dialog').close();
  return undefined;
}

const NUMBERS = ['payload_kg', 'tyre_pressure_kpa', 'ambient_c', 'wind_m_s', 'fuel_mass_before_kg'];
const WORDS = ['run', 'route', 'condition', 'driver', 'remarks'];
const REMEMBERED = ['route', 'driver', 'payload_kg', 'tyre_pressure_kpa'];

function submit(id, work) {
  byId(id).addEventListener('submit', (event) => {
    event.preventDefault();
    const form = event.target;
    fault(form, '');
    try { work(form); } catch (error) { fault(form, error.message); }
  });
}

let markOpenedAt = 0;
byId('mark-now').addEventListener('click', () => mark('mark', Date.now()));
byId('mark-text').addEventListener('click', () => {
  markOpenedAt = Date.now();
  byId('mark-form').reset();
  byId('mark-dialog').showModal();
});
byId('mark-form').addEventListener('submit', (event) => {
  event.preventDefault();
  mark(event.target.elements.text.value.trim() || 'mark', markOpenedAt);
  byId('mark-dialog').close();
});

byId('run-button').addEventListener('click', () => {
  const run = now && now.recording && now.recording.run;
  const form = byId(run ? 'stop-form' : 'start-form');
  form.reset();
  delete form.dataset.id;
  fault(form, '');
  if (run) {
    setText(byId('stop-which'), `${run.run}, ${run.route}`);
    byId('stop-dialog').showModal();
    return;
  }
  const last = JSON.parse(kept(localStorage, 'sheet') || '{}');
  for (const name of REMEMBERED) if (last[name] != null) form.elements[name].value = last[name];
  byId('start-dialog').showModal();
});
submit('start-form', (form) => {
  const sheet = {};
  for (const name of WORDS) if (form.elements[name].value.trim()) sheet[name] = form.elements[name].value.trim();
  for (const name of NUMBERS) {
    const value = numberOf(form, name);
    if (value !== null) sheet[name] = value;
  }
  keep(localStorage, 'sheet', JSON.stringify(Object.fromEntries(REMEMBERED.map((name) => [name, sheet[name]]))));
  send(form, '/run/start', { sheet });
});
submit('stop-form', (form) => send(form, '/run/stop', { fuel_mass_after_kg: numberOf(form, 'fuel_mass_after_kg') }));

// ---------------------------------------------------------------------------------------------- settings

function applyTheme() {
  const theme = kept(localStorage, 'theme');
  if (theme === 'light' || theme === 'dark') document.documentElement.dataset.theme = theme;
  else delete document.documentElement.dataset.theme;
}
byId('open-settings').addEventListener('click', () => {
  const form = byId('settings-form');
  form.elements.theme.value = kept(localStorage, 'theme') || 'auto';
  form.elements.who.value = who() || '';
  byId('settings-dialog').showModal();
});
byId('settings-form').addEventListener('change', (event) => {
  keep(localStorage, event.target.name, event.target.value);
  applyTheme();
});
for (const button of document.querySelectorAll('[data-close]')) {
  button.addEventListener('click', () => button.closest('dialog').close());
}

applyTheme();
showSaid();
connect();
setInterval(tick, 500);
