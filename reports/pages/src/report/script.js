'use strict';
(function () {
  var all = function (selector, root) { return Array.prototype.slice.call((root || document).querySelectorAll(selector)); };
  var filter = document.querySelector('.filter');
  var mark = document.querySelector('.mark');
  var verdicts = all('[data-verdict] option').map(function (option) { return option.value; }).filter(Boolean);
  var verdictOf = function (node) { return verdicts.find(function (v) { return node.classList.contains(v); }) || 'vn'; };

  function apply() {
    var wanted = all('select[data-place]', filter).filter(function (s) { return s.value !== ''; })
      .map(function (s) { return [Number(s.dataset.place), s.value]; });
    var verdict = filter.querySelector('[data-verdict]').value;
    var hits = 0;
    all('[data-l]').forEach(function (node) {
      var levels = node.dataset.l.split('.');
      var fits = wanted.every(function (w) { return levels[w[0]] === w[1]; }) && (!verdict || verdictOf(node) === verdict);
      node.classList.toggle(node.tagName === 'TD' ? 'dim' : 'gone', !fits);
      if (fits && node.tagName === 'TR') { hits += 1; }
    });
    var narrowed = wanted.length || verdict;
    filter.querySelector('output').textContent = narrowed ? hits + ' listed conditions fit' : '';
  }

  function sort() {
    var key = filter.querySelector('[data-sort]').value;
    all('.sortable').forEach(function (list) {
      Array.prototype.slice.call(list.children)
        .sort(function (a, b) { return a.dataset[key] - b.dataset[key]; })
        .forEach(function (node) { list.appendChild(node); });
    });
  }

  // The matrix over any two factors: the printed cells are laid out anew, one table for each combination of the others.
  var matrices = document.getElementById('matrices');
  var printed = matrices ? all(':scope > .scroll', matrices) : [];
  var cells = matrices ? all('td[data-l]', matrices) : [];
  var homes = cells.map(function (cell) { return [cell.parentNode, cell.nextSibling]; });

  function element(name, text, parent) {
    var node = document.createElement(name);
    if (text) { node.textContent = text; }
    if (parent) { parent.appendChild(node); }
    return node;
  }

  function home() {
    for (var i = cells.length - 1; i >= 0; i -= 1) { homes[i][0].insertBefore(cells[i], homes[i][1]); }
  }

  function pivot() {
    var rows = filter.querySelector('[data-rows]'), columns = filter.querySelector('[data-columns]');
    if (!rows || !matrices) { return; }
    home();
    matrices.textContent = '';
    if (rows.value === '' || rows.value === columns.value) {
      printed.forEach(function (table) { matrices.appendChild(table); });
      return;
    }
    var factors = all('select[data-place]', filter);
    var levelName = function (place, level) {
      var select = factors.find(function (f) { return f.dataset.place === String(place); });
      return select ? select.options[Number(level) + 1].text : '';
    };
    var r = Number(rows.value), c = Number(columns.value);
    var others = factors.map(function (f) { return Number(f.dataset.place); }).filter(function (p) { return p !== r && p !== c; });
    var tables = new Map();
    cells.forEach(function (cell) {
      var levels = cell.dataset.l.split('.');
      var key = others.map(function (p) { return levelName(p, levels[p]); }).join(', ') || 'All conditions';
      if (!tables.has(key)) { tables.set(key, []); }
      tables.get(key).push([Number(levels[r]), Number(levels[c]), cell]);
    });
    var unique = function (list) { return Array.from(new Set(list)).sort(function (a, b) { return a - b; }); };
    tables.forEach(function (members, key) {
      var box = element('div', '', matrices);
      box.className = 'scroll';
      var table = element('table', '', box);
      table.className = 'matrix';
      element('caption', key, table);
      var head = element('tr', '', element('thead', '', table));
      element('th', rows.selectedOptions[0].text, head).scope = 'col';
      var across = unique(members.map(function (m) { return m[1]; }));
      across.forEach(function (level) { element('th', levelName(c, level), head).scope = 'col'; });
      var body = element('tbody', '', table);
      unique(members.map(function (m) { return m[0]; })).forEach(function (level) {
        var line = element('tr', '', body);
        element('th', levelName(r, level), line).scope = 'row';
        across.forEach(function (column) {
          var member = members.find(function (m) { return m[0] === level && m[1] === column; });
          if (member) { line.appendChild(member[2]); } else { element('td', '', line).className = 'vo'; }
        });
      });
    });
  }

  if (filter) {
    filter.hidden = false;
    filter.addEventListener('change', function () { pivot(); apply(); sort(); });
    filter.addEventListener('submit', function (event) { event.preventDefault(); });
    filter.addEventListener('reset', function () { setTimeout(function () { pivot(); apply(); sort(); }, 0); });
  }

  // Any two eyes side by side, and their outlines over each other about their operating points.
  var cards = all('.card[data-eye]');
  var choose = document.querySelector('.choose');
  var side = document.querySelector('.side');
  var svgNode = function (name, attributes, parent) {
    var node = document.createElementNS('http://www.w3.org/2000/svg', name);
    Object.keys(attributes).forEach(function (key) { node.setAttribute(key, attributes[key]); });
    if (parent) { parent.appendChild(node); }
    return node;
  };

  function overlay(chosen) {
    var figure = element('figure');
    var svg = svgNode('svg', { viewBox: '0 0 360 208', role: 'img', 'aria-label': 'The two outlines over each other, about their operating points' }, figure);
    var reach = [0, 0];
    var eyes = chosen.map(function (card) {
      var numbers = card.dataset.eye.split(' ').map(Number);
      // Where no place passes in every lane there is no outline.
      var path = card.querySelector('.eye .all');
      if (!path) { return [numbers, '']; }
      var box = path.getBBox();
      reach[0] = Math.max(reach[0], Math.abs(box.x - numbers[2]) * numbers[0], Math.abs(box.x + box.width - numbers[2]) * numbers[0]);
      reach[1] = Math.max(reach[1], Math.abs(box.y - numbers[3]) * numbers[1], Math.abs(box.y + box.height - numbers[3]) * numbers[1]);
      return [numbers, path.getAttribute('d')];
    });
    var sx = 150 / (reach[0] || 1), sy = 92 / (reach[1] || 1);
    svgNode('path', { 'class': 'grid', d: 'M20 104H340M180 8V200' }, svg);
    eyes.forEach(function (eye, slot) {
      var n = eye[0];
      var group = svgNode('g', { transform: 'translate(180 104) scale(' + sx * n[0] + ' ' + -sy * n[1] + ') translate(' + -n[2] + ' ' + -n[3] + ')' }, svg);
      svgNode('path', { 'class': 'line s' + slot, d: eye[1] }, group);
    });
    element('figcaption', 'Outlines common to all lanes over each other: solid left, dashed right; half width ' + reach[0].toFixed(0) + ' ps, half height ' + reach[1].toFixed(0) + ' mV.' + (eyes.some(function (eye) { return !eye[1]; }) ? ' In one of them no place passes in every lane: it has no outline.' : '') + (mark ? ' ' + mark.textContent + '.' : ''), figure);
    return figure;
  }

  function compare() {
    var chosen = all('select', choose).map(function (select) { return cards[Number(select.value)]; });
    side.textContent = '';
    chosen.forEach(function (card) {
      var copy = card.cloneNode(true);
      copy.removeAttribute('id');
      copy.removeAttribute('data-l');
      copy.classList.remove('gone');
      side.appendChild(copy);
    });
    side.appendChild(overlay(chosen));
  }

  if (choose && cards.length > 1) {
    all('select', choose).forEach(function (select, at) {
      cards.forEach(function (card, index) {
        var option = element('option', card.querySelector('h3').textContent.trim(), select);
        option.value = index;
      });
      select.value = String(at === 0 ? 0 : cards.length - 1);
      select.addEventListener('change', compare);
    });
    choose.hidden = false;
    compare();
    choose.addEventListener('submit', function (event) { event.preventDefault(); });
  }

  // A table wider than its box can be scrolled by keyboard; the others are no stop on the way.
  if (window.ResizeObserver) {
    var wide = new ResizeObserver(function (entries) {
      entries.forEach(function (entry) {
        var node = entry.target;
        if (node.scrollWidth > node.clientWidth + 1) { node.tabIndex = 0; } else { node.removeAttribute('tabindex'); }
      });
    });
    all('.scroll').forEach(function (node) { wide.observe(node); });
  }

  var narrow = window.matchMedia('(max-width: 760px)');
  var contents = document.querySelector('.contents details');
  if (contents && narrow.matches) { contents.open = false; }
  window.addEventListener('beforeprint', function () { all('details:not(.screen, .more, .every-lane)').forEach(function (node) { node.open = true; }); });
})();
