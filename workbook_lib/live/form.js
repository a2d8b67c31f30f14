(() => {
  const name = 'dwellingServiceForm';
  if (window[name]) return;
  window[name] = true;
  const ENTRY = 'input, select, textarea';
  const KEYS = 'data-lm-suppress-shortcuts';
  let number = 0;
  const row = box => {
    const hint = box.querySelector('.wb-hint');
    if (!hint) return;
    if (!hint.id) hint.id = `wb-hint-${++number}`;
    const wrong = box.classList.contains('wb-wrong');
    for (const entry of box.querySelectorAll('input[type="text"], select, input[type="checkbox"]')) {
      if (entry.getAttribute('aria-describedby') !== hint.id) entry.setAttribute('aria-describedby', hint.id);
      const said = String(wrong);
      if (entry.getAttribute('aria-invalid') !== said) entry.setAttribute('aria-invalid', said);
    }
  };
  const fold = button => {
    const said = String(button.classList.contains('wb-opened'));
    if (button.getAttribute('aria-expanded') !== said) button.setAttribute('aria-expanded', said);
  };
  const mend = () => {
    for (const form of document.querySelectorAll('.wb-live')) {
      if (!form.hasAttribute('role')) {
        form.setAttribute('role', 'region');
        form.setAttribute('aria-label', 'Live study');
      }
      for (const one of form.querySelectorAll('button, input, select, textarea, [tabindex]')) {
        if (!one.hasAttribute(KEYS)) one.setAttribute(KEYS, 'true');
      }
      form.querySelectorAll('.wb-row').forEach(row);
      form.querySelectorAll('.wb-fold, .wb-fold-small').forEach(fold);
    }
  };
  const words = text => (text || '').replace(/\(.*$/s, '').trim();
  const called = one => words(one.tagName === 'BUTTON' ? one.textContent : one.labels?.[0]?.textContent);
  window.addEventListener('keydown', event => {
    const own = event.target.closest?.('.wb-live') && event.target.matches?.('button, input, select, textarea, [tabindex]');
    if (!own) return;
    if (event.ctrlKey && event.shiftKey) event.target.removeAttribute(KEYS);
    else event.target.setAttribute(KEYS, 'true');
  }, true);
  const able = form => [...form.querySelectorAll('button, input, select, textarea, [tabindex="0"]')].filter(one => one.offsetWidth > 0 && !one.disabled);
  let last = null, source = '', entered = null, pressed = null, back = null, keyed = false;
  const met = new WeakSet(), unheard = new WeakMap(), passed = new WeakMap();
  const place = one => {
    const box = one.closest('.wb-row'), at = box && [...box.classList].find(name => name.startsWith('wb-at-'));
    return { one, at, which: box ? [...box.querySelectorAll(ENTRY)].indexOf(one) : -1 };
  };
  const again = (form, { at, which }) => at && [...form.querySelectorAll('.' + at)].find(one => one.offsetWidth > 0)?.querySelectorAll(ENTRY)[which];
  document.addEventListener('focusin', event => {
    if (!event.target.closest?.('.wb-known')) back = null;
    if (pressed && event.target !== pressed.button && pressed.form.contains(event.target)) forget('The focus was moved');
    const form = event.target.closest?.('.wb-live');
    if (!form) { last = null; return; }
    if (form.querySelector('.wb-visit')?.closest('.wb-live') === form) met.add(form);
    if (keyed && event.target.closest('.wb-visit')) event.target.closest('.wb-left')?.scrollIntoView({ block: 'nearest' });
    const row = event.target.closest('.wb-visit .wb-row'), at = row && named(row, 'wb-at-');
    if (at !== entered?.at) entered = row && { at, rows: new Set(shown(form, '.wb-visit .wb-row').map(one => named(one, 'wb-at-'))) };
    last = { ...place(event.target), form, tag: event.target.tagName, name: called(event.target), place: able(form).indexOf(event.target) };
  });
  const refocus = () => {
    if ((pressed && !pressed.slow) || !last || !last.form.isConnected) return;
    const gone = !last.one.isConnected || last.one.disabled || last.one.offsetWidth === 0;
    const nobody = !document.activeElement || document.activeElement === document.body || !document.activeElement.closest('.wb-live');
    if (!gone || !nobody) return;
    const there = able(last.form);
    const alike = last.at ? [] : there.filter(one => one.tagName === last.tag && last.name && called(one) === last.name);
    const near = there[Math.max(0, Math.min(last.place - 1, there.length - 1))];
    const aimed = last.one.matches('.wb-goes') && aim([...last.form.querySelectorAll('.wb-aim')].pop());
    const next = last.at ? again(last.form, last) ?? near : alike.length === 1 ? alike[0] : aimed || near;
    if (!next) return;
    next.focus({ preventScroll: true });
    if (next.tagName === 'INPUT' && next.type === 'text') next.setSelectionRange(next.value.length, next.value.length);
  };
  const outcomes = new Map();
  const show = () => {
    for (const told of document.querySelectorAll('.wb-live .wb-told .wb-say')) {
      const said = told.textContent, home = told.closest('.wb-told');
      if (outcomes.get(home) === said) continue;
      outcomes.set(home, said);
      if (said && told.offsetWidth > 0) told.scrollIntoView({ block: 'nearest' });
    }
  };
  // a press of the person's own button is followed to what the kernel marks after it; what is typed until then waits and goes there
  const WAIT_MS = 8000, QUIET_MS = 80, QUIET_AT_MOST_MS = 1500, LATELY_MS = 600, PAUSE_MS = 500, READ_MS = 4000, HEARD_MS = 3000;
  let waits_for = null, typed = [], clock = 0, changed = 0, settling = -1e9, lately = null, lost = null;
  const now = () => performance.now();
  const shown = (within, which) => [...within.querySelectorAll(which)].filter(one => one.offsetWidth > 0 && !one.disabled);
  const aim = box => box && (box.matches('button, ' + ENTRY) ? box : box.querySelector(ENTRY) ?? box.querySelector('a[href], button'));
  // a mark comes in two messages: without its number it is not there yet; numbers go up, and the lab may make what bears an old one anew
  const marked = box => Number(box.className.match(/wb-aim-(\d+)/)?.[1] ?? 0);
  const marks = form => [...form.querySelectorAll('.wb-aim')].filter(marked);
  const take = one => { one.focus(); if (one.tagName === 'INPUT' && one.type === 'text') one.select(); };
  const tell = (form, words) => {
    const line = form.querySelector('.wb-typed');
    if (line && line.textContent !== words) line.textContent = words;
  };
  const words_of = ({ key, letter }) => letter ? ` Alt+${letter.toUpperCase()} ` : key.length > 1 ? ` ${key} ` : key;
  // what was typed ahead and has no place: it is told, and so is the rest of it until there is a pause
  const lose = (form, why) => {
    const what = typed.map(words_of).join('');
    typed = [];
    if (!what) return;
    lost = { form, words: `${why}; typed meanwhile and not entered: ${what}`, at: now() };
    tell(form, lost.words);
  };
  const forget = why => {
    const form = pressed?.form ?? waits_for?.form;
    clearTimeout(clock);
    clearTimeout(waits_for?.clock);
    pressed = waits_for = null;
    if (form) lose(form, why);
  };
  // keys are held back until what was just typed is taken or refused, or what was just opened is there
  const settled = () => {
    const quiet = now() - Math.max(settling, changed) >= QUIET_MS || now() - settling >= QUIET_AT_MOST_MS;
    if (!quiet) setTimeout(soon, QUIET_MS);
    return quiet;
  };
  const until = (form, ready, go) => {
    const one = waits_for = { form, ready, go, clock: setTimeout(() => { if (waits_for === one) wait_over(); }, HEARD_MS) };
    soon();
  };
  const wait_over = () => {
    const { form, go, clock } = waits_for;
    clearTimeout(clock);
    waits_for = null;
    go();
    replay(form);
  };
  const waited = () => {
    if (waits_for && !waits_for.form.isConnected) forget('The form is gone');
    if (waits_for?.ready()) wait_over();
  };
  document.addEventListener('pointerdown', () => { keyed = false; lately = null; forget('The mouse was used'); }, true);
  document.addEventListener('click', event => {
    const button = event.target.closest?.('.wb-live .wb-goes'), form = button?.closest('.wb-live');
    if (pressed) forget('Something else was pressed');
    if (!form) return;
    if (!button.closest('.wb-visit .wb-inside')) passed.delete(form);
    else passed.get(form)?.delete(named(button.closest('.wb-adding') ?? button, 'wb-of-'));
    pressed = { form, button, before: Math.max(0, ...marks(form).map(marked)), inside: Boolean(button.closest('.wb-adding')), slow: button.matches('.wb-slow') };
    if (!pressed.slow) clock = setTimeout(() => { forget('No answer came'); soon(); }, WAIT_MS);
  }, true);
  const whole = box => {
    const adding = box.closest('.wb-adding'), count = adding?.className.match(/wb-entries-(\d+)/)?.[1] ?? 0;
    return !adding || (shown(adding, ENTRY).length >= count && shown(adding, 'button').length > 0);
  };
  const follow = () => {
    if (!pressed) return;
    if (!pressed.form.isConnected) { forget('The form is gone'); return; }
    const fresh = marks(pressed.form).filter(box => marked(box) > pressed.before).sort((one, other) => marked(other) - marked(one));
    const box = fresh.find(box => aim(box)?.offsetWidth), one = aim(box);
    if (!one || !whole(box)) return;
    pressed.found ??= now();
    if (now() - changed < QUIET_MS && now() - pressed.found < QUIET_AT_MOST_MS) { setTimeout(soon, QUIET_MS); return; }
    const { button, form, inside } = pressed, visit = one.closest('.wb-visit');
    if (box.matches('.wb-refused')) forget('It was not taken');
    clearTimeout(clock);
    pressed = null;
    take(one);
    if (visit && !inside) {
      if (!visit.contains(button)) {
        typed = typed.filter(({ letter }) => letter !== 'n');
        visit.closest('.wb-live').scrollIntoView({ block: 'start' });
      }
      visit.closest('.wb-left')?.scrollTo(0, 0);
    }
    (one.closest('.wb-row, .wb-adding') ?? one).scrollIntoView({ block: 'nearest' });
    replay(form);
  };
  // what was typed ahead, key by key, into what has the focus by then
  const chosen = list => ['input', 'change'].forEach(kind => list.dispatchEvent(new Event(kind, { bubbles: true })));
  const choose = (list, text) => {
    const found = [...list.options].findIndex(one => one.textContent.trim().toLowerCase().startsWith(text.trim().toLowerCase()));
    if (found < 0 || !text.trim()) return false;
    if (found !== list.selectedIndex) {
      list.selectedIndex = found;
      chosen(list);
    }
    return true;
  };
  // a number in the list of sources is that of the photo: it goes to the note, in place of what stands there
  const numbers = (one, key) => one.matches?.('.wb-visit .wb-known select') && /^[0-9]/.test(key);
  const number_of_photo = (one, text) => {
    take(one.closest('.wb-known').querySelector('input'));
    return document.execCommand('insertText', false, text);
  };
  const put = (one, text) => {
    if (numbers(one, text)) return number_of_photo(one, text);
    if (one.tagName === 'SELECT') return choose(one, text);
    if (one.matches('textarea, input[type="text"]')) return document.execCommand('insertText', false, text);
    if (text !== ' ') return false;
    if (one.tagName === 'BUTTON') press(one); else one.click();
    return true;
  };
  const other = (one, key) => {
    if (one.tagName === 'SELECT' && /^Arrow(Up|Down)$/.test(key)) {
      const next = one.selectedIndex + (key === 'ArrowDown' ? 1 : -1);
      if (next >= 0 && next < one.options.length) { one.selectedIndex = next; chosen(one); }
    } else if (one.matches('textarea, input[type="text"]') && key === 'Backspace') document.execCommand('delete');
  };
  const tab = (one, by, form) => {
    const all = able(form).filter(stop => stop.tabIndex >= 0), next = all[all.indexOf(one) + by];
    if (next) take(next);
  };
  const replay = form => {
    while (typed.length && !pressed && !waits_for) {
      const one = document.activeElement, visit = one?.closest('.wb-live')?.querySelector('.wb-visit');
      const { key, letter, shift } = typed.shift();
      if (!visit || !form.contains(one)) { typed = []; return; }
      if (letter) command(letter, one, visit);
      else if (key === 'Tab') tab(one, shift ? -1 : 1, form);
      else if (key === 'Enter') enter(one, visit);
      else if (key.length > 1) other(one, key);
      else {
        let text = key;
        while (typed.length && typed[0].key.length === 1 && !typed[0].letter) text += typed.shift().key;
        if (!put(one, text)) { typed.unshift({ key: ` ${text}` }); lose(form, `${called(one)} has no such choice`); }
      }
    }
  };
  // keys of a visit: Enter goes to the next needed answer that is open, in a new thing to its next entry and at last adds it
  const named = (box, start) => [...box.classList].find(name => name.startsWith(start));
  const empty = box => { const all = [...box.querySelectorAll(ENTRY)];
    return all.every(one => one.type === 'checkbox' ? !one.checked : one.tagName === 'SELECT' ? one.selectedIndex < 1 : !one.value.trim()); };
  const press = button => {
    if (!button || button.disabled) return;
    if (button.matches('.wb-goes')) button.focus();
    button.click();
  };
  const after = (one, other) => one.compareDocumentPosition(other) & Node.DOCUMENT_POSITION_FOLLOWING;
  const saving = visit => { const form = visit.closest('.wb-live'); return shown(form, '.wb-saves')[0] ?? shown(form, '.wb-saving > .wb-fold')[0]; };
  const untaken = one => one.closest('.wb-row')?.querySelector('.wb-hint')?.textContent.startsWith('Not taken') && Boolean(one.value?.trim());
  const elsewhere = (visit, box) => [...box.classList].some(name => name.startsWith('wb-either-') && shown(visit, '.' + name).some(other => !empty(other)));
  const passed_at = visit => passed.get(visit.closest('.wb-live')) ?? passed.set(visit.closest('.wb-live'), new Set()).get(visit.closest('.wb-live'));
  // what may be entered of a new thing, but its name
  const own = adding => shown(adding, ENTRY).filter(one => called(one) !== 'Name');
  const blank = adding => own(adding).every(one => one.tagName === 'SELECT' ? one.selectedIndex < 1 : !one.value.trim());
  const start = adding => adding?.querySelector('.wb-start :is(input, select)') ?? adding?.querySelector(ENTRY);
  const open_fold = (fold, visit) => {
    const button = fold.querySelector('button'), entry = () => start(shown(fold, '.wb-adding')[0]);
    if (!entry()) button.click();
    take(button);
    until(visit.closest('.wb-live'), () => entry() && whole(entry()), () => { if (entry()) take(entry()); });
  };
  const onward = (one, visit) => {
    const adding = one.closest('.wb-adding'), at = passed_at(visit);
    if (untaken(one)) { take(one); lose(visit.closest('.wb-live'), 'It was not taken'); return; }
    if (adding) {
      const entries = shown(adding, ENTRY), next = entries[entries.indexOf(one) + 1];
      // what hangs on something that is not there yet: the place where that is added
      const into = one.tagName === 'SELECT' && one.selectedIndex < 1 && !next && named(adding, 'wb-of-');
      const maker = into && shown(visit, '.' + into.replace('-of-', '-for-'))[0];
      if (maker && !at.has(named(maker, 'wb-adds-').replace('-adds-', '-of-'))) { open_fold(maker, visit); return; }
      if (adding.matches('.wb-lines') && called(one) === 'Name' && /\S[\s,;]+\S/.test(one.value)) return press(shown(adding, 'button')[0]);
      const unnamed = called(one) === 'Name' && !one.value.trim();
      if (!blank(adding) || !(unnamed || one === own(adding)[0])) return next ? take(next) : press(shown(adding, 'button')[0]);
      at.add(named(adding, 'wb-of-'));
    }
    const box = one.closest('.wb-row');
    if (box?.matches('.wb-open, .wb-offer') && empty(box)) at.add(named(box, 'wb-at-'));
    const all = shown(visit, '.wb-row'), fresh = box && all[all.indexOf(box) + 1];
    const brought = fresh && entered?.at === named(box, 'wb-at-') && !entered.rows.has(named(fresh, 'wb-at-')) && empty(fresh);
    if (brought) { take(fresh.querySelector(ENTRY)); return; }
    const stands = row => !empty(row) && [...row.querySelectorAll(ENTRY)].some(untaken);
    const open = row => row.matches('.wb-open, .wb-offer') && empty(row) && !elsewhere(visit, row) && !at.has(named(row, 'wb-at-'));
    const rows = shown(visit, '.wb-row').filter(row => !row.contains(one) && !row.closest('.wb-adding') && (open(row) || stands(row)));
    if (!rows.length && one.value && one.closest('.wb-first')) return;
    const following = rows.find(row => after(one, row)) ?? rows[0];
    const kind = named(one.closest('[class*="wb-kind-"]') ?? one, 'wb-kind-');
    const waits = one.closest('.wb-known') || (one.closest('.wb-open') && empty(one.closest('.wb-open')));
    // what is needed and not there yet comes before one more of a kind of which a home has many
    const others = shown(visit, '.wb-adding').filter(other => other !== adding && !at.has(named(other, 'wb-of-')));
    const wanted = others.find(other => other.closest('.wb-wanted')), like = kind && others.find(other => other.closest('.wb-many') && other.matches('.' + kind.replace('-kind-', '-of-')));
    const another = wanted ?? like ?? (waits && !kind ? others[0] : undefined);
    // a run without its raceway: the place where one is added
    const run = box?.matches('.wb-open.wb-wants-raceway') && empty(box) && shown(visit, '.wb-adds-raceway')[0];
    if (run) { open_fold(run, visit); return; }
    const next = following?.querySelector(ENTRY) ?? start(another) ?? shown(visit, '.wb-next')[0] ?? saving(visit);
    if (!next) return;
    take(next);
    if (box) lately = { visit, from: box, to: next, rows: new Set(shown(visit, '.wb-row')), since: now() };
  };
  // a question that comes with the answer that was just left stands before the next one, unless a key was pressed since
  const appeared = () => {
    if (!lately) return;
    const { visit, from, to, rows, since } = lately, all = shown(visit, '.wb-row'), fresh = all[all.indexOf(from) + 1];
    if (now() - since > LATELY_MS || document.activeElement !== to || !from.isConnected) { lately = null; return; }
    if (!fresh || rows.has(fresh) || !empty(fresh)) return;
    lately = null;
    take(fresh.querySelector(ENTRY));
  };
  const enter = (one, visit) => {
    if (unheard.has(one)) {
      if (one.tagName === 'INPUT') one.dispatchEvent(new Event('change', { bubbles: true }));
      typed.unshift({ key: 'Enter' });
      until(visit.closest('.wb-live'), () => (!one.isConnected || !unheard.has(one)) && settled(), () => unheard.delete(one));
      return;
    }
    const kept = back, own = one.closest('.wb-known') && one.matches(ENTRY);
    const there = own && kept && (kept.one.isConnected && kept.one.offsetWidth > 0 ? kept.one : again(visit, kept));
    if (there) take(there);
    else if (one.matches(ENTRY) && one.closest('.wb-visit :is(.wb-adding, .wb-row, .wb-known)')) onward(one, visit);
    else if (one.tagName === 'BUTTON') press(one);
  };
  const first = visit => {
    const adding = shown(visit, '.wb-adding')[0];
    return shown(visit, adding ? '.wb-open' : '.wb-open, .wb-offer').find(empty)?.querySelector(ENTRY) ?? start(adding);
  };
  const command = (letter, one, visit) => {
    const start = letter === 'n' && !met.has(visit.closest('.wb-live')) && first(visit), next = visit.querySelector('.wb-next');
    if (start) take(start);
    else if (letter === 'n' && next.disabled) { const save = saving(visit); if (save) take(save); }
    else if (letter === 'n') press(next);
    else if (letter === 'p') press(visit.querySelector('.wb-photo'));
    else if (letter === 's') { const save = saving(visit); if (save) take(save); }
    else {
      const held = one.closest('.wb-visit') && one.matches(`button, ${ENTRY}`) && (one.closest('.wb-known') ? back : place(one));
      take(shown(visit, '.wb-known select')[0]);
      back = held || null;
    }
  };
  const asked = event => {
    const letter = /^[a-z]$/i.test(event.key) ? event.key.toLowerCase() : (event.code ?? '').replace('Key', '').toLowerCase();
    return event.altKey && ['n', 'p', 'k', 's'].includes(letter) ? letter : '';
  };
  const OWN = ['Shift', 'Control', 'Alt', 'AltGraph', 'Meta', 'CapsLock', 'NumLock'];
  window.addEventListener('keydown', event => {
    if (OWN.includes(event.key)) return;
    keyed = true;
    lately = null;
    const one = event.target, { key } = event, letter = asked(event);
    const bare = !event.isComposing && ((!event.ctrlKey && !event.metaKey && !event.altKey) || event.getModifierState?.('AltGraph'));
    const orders = letter && !event.ctrlKey && !event.metaKey && !event.shiftKey, held = { key, letter: orders ? letter : '', shift: event.shiftKey };
    const ahead = orders || (bare && (key.length === 1 || ['Enter', 'Tab', 'Backspace', 'ArrowUp', 'ArrowDown'].includes(key)));
    const holds = pressed && !pressed.slow ? pressed : waits_for, waits = holds && (one === document.body || holds.form.contains(one));
    const late = !holds && lost && now() - lost.at < PAUSE_MS;
    if (ahead && (waits || late) && !(one === waits_for?.soft && !typed.length && !orders && !['Enter', 'Tab'].includes(key) && !numbers(one, key))) {
      if (waits && !(event.repeat && key === 'Enter')) typed.push(held);
      if (late) { lost.words += words_of(held); lost.at = now(); tell(lost.form, lost.words); }
      event.preventDefault();
      event.stopImmediatePropagation();
      return;
    }
    // where what had the focus is being made anew, the key is for it, or for what takes its place
    if (ahead && one === document.body && last?.form.isConnected && !last.one.isConnected) {
      const { form } = last;
      refocus();
      if (form.contains(document.activeElement)) { typed.push(held); replay(form); event.preventDefault(); event.stopImmediatePropagation(); return; }
    }
    if (pressed || (waits_for && one !== waits_for.soft)) forget('Another key was pressed');
    const begins = bare && key === 'Enter' && !event.repeat && one.matches?.(ENTRY) && one.closest('.wb-begins');
    if (begins) {
      press(begins.querySelector('button'));
      event.preventDefault();
      return;
    }
    const visit = one.closest?.('.wb-live')?.querySelector('.wb-visit');
    if (!visit || event.isComposing || event.repeat || event.ctrlKey || event.metaKey || event.shiftKey) return;
    if (lost && now() - lost.at > READ_MS) { tell(lost.form, ''); lost = null; }
    if (letter) command(letter, one, visit);
    else if (!event.altKey && numbers(one, key)) number_of_photo(one, key);
    else if (key === 'Enter' && !event.altKey && one.matches('[class*="wb-adds-"] > button:not(.wb-opened)')) open_fold(one.parentElement, visit);
    else if (key === 'Enter' && !event.altKey && one.matches(ENTRY) && one.closest('.wb-visit :is(.wb-adding, .wb-row, .wb-known)')) enter(one, visit);
    else return;
    event.preventDefault();
  }, true);
  const clear = () => {
    for (const known of document.querySelectorAll('.wb-visit .wb-known')) {
      const left = known.closest('.wb-left'), covered = getComputedStyle(known).position === 'sticky' ? `${known.offsetHeight + 8}px` : '';
      if (left && known.offsetHeight && left.style.scrollPaddingTop !== covered) left.style.scrollPaddingTop = covered;
    }
  };
  // a press waits in the kernel until the page, behind all that was typed before it, has put back the number that a hidden entry is given
  const ACTED_MS = 10000, acted = new WeakMap();
  // what is typed into an answer is open until the kernel has said of the same text that it is taken or refused
  const ANSWER = 'input[type="text"], select';
  const plain = text => text.replace(/\s/g, ' ').trim();
  const answer = one => plain(one.tagName !== 'SELECT' ? one.value : one.selectedIndex < 1 ? '' : one.selectedOptions[0].textContent);
  document.addEventListener('input', ({ target }) => {
    if (!target.matches?.(ANSWER) || !target.closest('.wb-visit .wb-row')) return;
    unheard.set(target, answer(target));
    const there = entered && new Set(shown(target.closest('.wb-visit'), '.wb-row').map(one => named(one, 'wb-at-')));
    if (there) entered.rows = new Set([...entered.rows].filter(name => there.has(name)));
  }, true);
  // another source empties the note of the one before: what is typed waits for that, but for the keys of the list itself
  document.addEventListener('change', ({ target }) => {
    const form = target.matches?.('.wb-visit .wb-known select') && target.closest('.wb-live');
    if (!form || pressed || waits_for) return;
    source = '';
    until(form, () => source === target.selectedOptions[0]?.textContent, () => {});
    waits_for.soft = target;
  }, true);
  const hear = (told, visit) => {
    if (told.className === 'wb-origin') source = told.textContent;
    for (const entry of visit?.querySelectorAll(`.wb-row.${told.className} :is(${ANSWER})`) ?? []) {
      if (unheard.get(entry) !== plain(told.textContent)) continue;
      unheard.delete(entry);
      if (told.title.endsWith('more')) settling = now();
    }
  };
  const act = ({ target }) => {
    if (target.closest?.('.wb-echo')) return;
    for (let form = target.closest?.('.wb-live'); form; form = form.parentElement.closest('.wb-live')) acted.set(form, now());
  };
  for (const kind of ['click', 'change']) document.addEventListener(kind, act, true);
  const echo = one => {
    if (!one.placeholder || one.value === one.placeholder || !(now() - acted.get(one.closest('.wb-live')) < ACTED_MS)) return;
    one.value = one.placeholder;
    one.dispatchEvent(new Event('change', { bubbles: true }));
  };
  // the end of the kernel: the lab marks every widget of one that restarts; of one that is gone, or restarted elsewhere, only the bar
  // of the notebook says so, as long as it lasts: what stood there when another kernel began has ended for good
  const DEAD = 'jupyter-widgets-disconnected', BAR = '.jp-Notebook-ExecutionIndicator', NONE_MS = 2000;
  const ANOTHER = ['starting', 'initializing', 'restarting', 'autorestarting', 'dead'], NONE = ['unknown', 'disconnected', 'terminating'];
  const lives = new WeakMap(), born = new WeakMap(), held = new Set();
  const life = notebook => {
    const bar = notebook.querySelector(BAR)?.dataset.status, one = lives.get(notebook) ?? { bar: '', count: 0, since: 0 };
    if (bar !== one.bar && ANOTHER.includes(bar)) one.count += 1;
    if (bar !== one.bar && !(NONE.includes(bar) && NONE.includes(one.bar))) {
      one.since = performance.now();
      if (NONE.includes(bar)) setTimeout(() => soon(), NONE_MS + 100);
    }
    one.bar = bar;
    lives.set(notebook, one);
    return one;
  };
  const ended = form => {
    const notebook = form.closest('.jp-NotebookPanel'), own = notebook && life(notebook);
    if (own && !born.has(form)) born.set(form, own.count);
    if (form.classList.contains(DEAD)) return true;
    // without a kernel for a moment is a connection that comes back: the lab holds what is typed until then
    return Boolean(own) && (own.count > born.get(form) || (NONE.includes(own.bar) && performance.now() - own.since > NONE_MS));
  };
  const note = (role, words) => {
    const line = document.createElement('p');
    line.className = 'wb wb-older wb-gone';
    line.setAttribute('role', role);
    line.append(Object.assign(document.createElement('strong'), { textContent: 'The kernel of this notebook was restarted or has ended' }), words);
    return line;
  };
  const TAKES_NOTHING = ': this form takes nothing more, and what it shows is OLDER, not of what is entered any more. Run all cells; what was kept is offered there.';
  const hold = form => {
    if ((pressed ?? waits_for)?.form === form) forget('The kernel has ended');
    form.classList.add('wb-ended');
    for (const one of form.querySelectorAll('button, input, select, textarea')) {
      if (!one.disabled) { one.disabled = true; held.add(one); }
    }
    const own = [...form.querySelectorAll('.wb-status')].filter(one => one.closest('.wb-live') === form);
    for (const one of own.length ? own : [form.firstElementChild]) {
      if (one && !one.nextElementSibling?.matches('.wb-gone')) one.after(note('alert', TAKES_NOTHING));
    }
  };
  const give_back = form => {
    form.classList.remove('wb-ended');
    form.querySelectorAll('.wb-gone').forEach(one => one.remove());
    for (const one of held) {
      if (!form.contains(one)) continue;
      one.disabled = false;
      held.delete(one);
    }
    if (last?.form === form && last.one.isConnected && document.activeElement === document.body) last.one.focus({ preventScroll: true });
  };
  const ends = () => {
    for (const form of document.querySelectorAll('.wb-live')) {
      if (ended(form)) hold(form);
      else if (form.classList.contains('wb-ended')) give_back(form);
    }
    for (const part of document.querySelectorAll('.jp-OutputArea-output .widget-html')) {
      if (part.closest('.wb-live')) continue;
      const older = part.querySelector(':scope > .wb-gone'), over = ended(part) && part.querySelector('.wb');
      if (over && !older) part.prepend(note('note', ': this is OLDER. Run all cells to have it anew.'));
      else if (!over && older) older.remove();
    }
  };
  let waiting = false;
  const soon = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; mend(); ends(); clear(); refocus(); show(); follow(); waited(); appeared(); });
  };
  new MutationObserver(records => {
    for (const { target, addedNodes } of records) {
      if (target.matches?.('.wb-echo input')) echo(target);
      else if (target.closest?.('.wb-heard')) [...addedNodes].filter(one => one.matches?.('i')).forEach(one => hear(one, target.closest('.wb-visit')));
      else if (target.matches?.(BAR) && target.closest('.jp-NotebookPanel')) life(target.closest('.jp-NotebookPanel'));
    }
    if ((pressed ?? waits_for) && records.some(({ type, target }) => type === 'childList' && (pressed ?? waits_for).form.contains(target) && !target.closest?.('.wb-right, .widget-html'))) changed = now();
    soon();
  }).observe(document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ['class', 'placeholder', 'disabled', 'data-status'] });
  soon();
})();
