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
  let last = null, go = 0;
  document.addEventListener('focusin', event => {
    const form = event.target.closest?.('.wb-live');
    if (!form) { last = null; return; }
    const box = event.target.closest('.wb-row');
    const at = box && [...box.classList].find(one => one.startsWith('wb-at-'));
    const which = box ? [...box.querySelectorAll(ENTRY)].indexOf(event.target) : -1;
    last = { one: event.target, form, tag: event.target.tagName, name: called(event.target), place: able(form).indexOf(event.target), at, which };
  });
  document.addEventListener('click', event => {
    if (event.target.closest?.('.wb-live .wb-go')) go = Date.now();
  }, true);
  const refocus = () => {
    if (!last || !last.form.isConnected) return;
    if (go && Date.now() - go > 3000) go = 0;
    const step = go && [...last.form.querySelectorAll('select')].find(one => called(one) === 'Step');
    if (go && step && (!last.one.isConnected || last.one.classList.contains('wb-go'))) {
      go = 0;
      step.focus();
      step.scrollIntoView({ block: 'nearest' });
      return;
    }
    const gone = !last.one.isConnected || last.one.disabled || last.one.offsetWidth === 0;
    const nobody = !document.activeElement || document.activeElement === document.body || !document.activeElement.closest('.wb-live');
    if (!gone || !nobody) return;
    const there = able(last.form);
    const rows = last.at ? [...last.form.querySelectorAll('.' + last.at)].filter(one => one.offsetWidth > 0) : [];
    const alike = last.at ? [] : there.filter(one => one.tagName === last.tag && last.name && called(one) === last.name);
    const next = rows.length ? rows[0].querySelectorAll(ENTRY)[last.which] : alike.length === 1 ? alike[0] : there[Math.max(0, Math.min(last.place - 1, there.length - 1))];
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
  // a press of the person's own button is followed to what the kernel marks after it, unless something else is done meanwhile
  let pressed = null;
  const mark = form => [...form.querySelectorAll('.wb-aim')].map(one => one.className.match(/wb-aim-\d+/)?.[0]).pop();
  const take = one => { one.focus(); if (one.tagName === 'INPUT' && one.type === 'text') one.select(); };
  document.addEventListener('click', event => {
    const button = event.target.closest?.('.wb-live .wb-goes'), form = button?.closest('.wb-live');
    pressed = form ? { form, before: mark(form) } : null;
  }, true);
  const follow = () => {
    const now = pressed && pressed.form.isConnected && mark(pressed.form);
    if (!now || now === pressed.before) return;
    const box = pressed.form.querySelector('.' + now), one = box.matches('button, ' + ENTRY) ? box : box.querySelector(ENTRY);
    if (!one || !one.offsetWidth) return;
    pressed = null;
    take(one);
    one.closest('.wb-row, .wb-adding')?.scrollIntoView({ block: 'nearest' });
  };
  // keys of a visit: Enter goes to the next needed answer that is open, in a new thing to its next entry and at last adds it
  const shown = (within, which) => [...within.querySelectorAll(which)].filter(one => one.offsetWidth > 0 && !one.disabled);
  const empty = box => { const all = [...box.querySelectorAll(ENTRY)];
    return all.every(one => one.type === 'checkbox' ? !one.checked : one.tagName === 'SELECT' ? one.selectedIndex < 1 : !one.value.trim()); };
  const press = button => {
    if (!button || button.disabled) return;
    if (button.matches('.wb-goes')) button.focus();
    button.click();
  };
  const onward = (one, visit) => {
    const adding = one.closest('.wb-adding');
    if (adding) {
      const entries = shown(adding, ENTRY), next = entries[entries.indexOf(one) + 1];
      return next ? take(next) : press(shown(adding, 'button')[0]);
    }
    const rows = shown(visit, '.wb-open').filter(box => empty(box) && !box.contains(one));
    if (!rows.length && one.value && one.closest('.wb-first')) return;
    const after = rows.find(box => one.compareDocumentPosition(box) & Node.DOCUMENT_POSITION_FOLLOWING) ?? rows[0];
    const kind = [...(one.closest('[class*="wb-kind-"]')?.classList ?? [])].find(name => name.startsWith('wb-kind-'));
    const waits = one.closest('.wb-known') || (one.closest('.wb-open') && empty(one.closest('.wb-open')));
    const another = shown(visit, kind ? '.' + kind.replace('-kind-', '-of-') : waits ? '.wb-adding' : '.wb-none')[0];
    const next = after?.querySelector(ENTRY) ?? another?.querySelector(ENTRY) ?? shown(visit, '.wb-next')[0];
    if (next) take(next);
  };
  window.addEventListener('keydown', event => {
    pressed = null;
    const one = event.target, form = one.closest?.('.wb-live'), visit = form?.querySelector('.wb-visit');
    if (!visit || event.isComposing || event.repeat || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const letter = /^[a-z]$/i.test(event.key) ? event.key.toLowerCase() : (event.code ?? '').replace('Key', '').toLowerCase();
    const button = event.altKey && { n: '.wb-next', p: '.wb-photo' }[letter];
    if (button) press(visit.querySelector(button));
    else if (event.key === 'Enter' && !event.altKey && one.matches(ENTRY) && one.closest('.wb-visit :is(.wb-adding, .wb-row, .wb-known)')) onward(one, visit);
    else return;
    event.preventDefault();
  }, true);
  let waiting = false;
  const soon = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; mend(); refocus(); show(); follow(); });
  };
  new MutationObserver(soon).observe(document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ['class'] });
  soon();
})();
