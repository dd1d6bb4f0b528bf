// Classifies from what `Criteria.compiled()` gives, without a connection, with the same answers as the server.
//
// `order` lists the facts in the order in which nodes ask them. A node is [its place in that order, child per
// answer...]; a child is the number of an earlier node, or ~rank for a leaf: a tier's position, then "uncovered"
// (counts as the highest tier), then "impossible" (no completion).

/**
 * @param compiled what `Criteria.compiled()` gives
 * @param facts    name -> answer code, or a number for a measured fact; missing or null is unknown
 * @returns {floor, ceiling, tier, covered, open_questions}: tier codes (tier null while unsettled), whether every
 *          completion is covered, and names of facts, most decisive first
 * @throws Error for an unknown fact or answer, and for answers that cannot occur together
 */
export function classify(compiled, facts) {
  const diagram = read(compiled);
  const known = positions(diagram.facts, facts);
  const now = bounds(diagram, known);
  if (!now) throw new Error(`these answers cannot occur together: ${Object.keys(facts).join(", ")}`);
  const code = (tier) => compiled.tiers[tier].code;
  return {
    floor: code(now.floor),
    ceiling: code(now.ceiling),
    tier: now.floor === now.ceiling ? code(now.floor) : null,
    covered: now.covered,
    open_questions: openQuestions(diagram, known, now),
  };
}

/** The diagram with its facts in asking order, each with its place in the file and its number of answers. */
function read({ facts, bands, order, nodes, root, tiers }) {
  return {
    nodes,
    root,
    highest: tiers.length - 1,
    impossible: ~(tiers.length + 1),
    facts: order.map((place) => {
      const fact = facts[place];
      const cuts = Object.hasOwn(bands, fact.name) ? bands[fact.name].map(Number) : null;
      return { ...fact, place, cuts, size: cuts ? cuts.length + 1 : fact.answers.length };
    }),
  };
}

/** In asking order the position of each answer, null where it is unknown. */
function positions(asked, facts) {
  const stranger = Object.keys(facts).find((name) => !asked.some((fact) => fact.name === name));
  if (stranger !== undefined) throw new Error(`unknown fact ${stranger}`);
  return asked.map((fact) => {
    const answer = Object.hasOwn(facts, fact.name) ? facts[fact.name] : null;
    return answer === null || answer === undefined ? null : position(fact, answer);
  });
}

function position(fact, answer) {
  if (fact.cuts) {
    if (typeof answer !== "number" || !Number.isFinite(answer)) throw new Error(`${fact.name}: not a number`);
    return fact.cuts.filter((cut) => cut <= answer).length;
  }
  const at = fact.answers.findIndex(({ code }) => code === answer);
  if (at < 0) throw new Error(`${fact.name}: unknown answer ${answer}`);
  return at;
}

/** Lowest and highest tier over all completions of the known answers, and whether all are covered; else null. */
function bounds({ nodes, root, highest, impossible }, known) {
  const low = [];
  const high = [];
  const least = (child) => (child < 0 ? ~child : low[child]);
  const most = (child) => (child < 0 ? (child === impossible ? -1 : ~child) : high[child]);
  for (const [level, ...children] of nodes) {
    const taken = known[level] === null ? children : [children[known[level]]];
    low.push(Math.min(...taken.map(least)));
    high.push(Math.max(...taken.map(most)));
  }
  if (most(root) < 0) return null;
  return {
    floor: Math.min(least(root), highest),
    ceiling: Math.min(most(root), highest),
    covered: most(root) <= highest,
  };
}

/** The unanswered facts that can still change the outcome: smallest worst span first, then smallest mean span. */
function openQuestions(diagram, known, now) {
  const possible = [];
  const asked = [];
  diagram.facts.forEach(({ name, place, size }, level) => {
    if (known[level] !== null) return;
    const answers = Array.from({ length: size }, (_, answer) => answer);
    const after = answers
      .map((answer) => bounds(diagram, known.map((was, at) => (at === level ? answer : was))))
      .filter((then) => then !== null);
    const spans = after.map(({ floor, ceiling }) => ceiling - floor);
    const sum = spans.reduce((one, other) => one + other);
    const question = { name, place, worst: Math.max(...spans), sum, of: spans.length };
    if (after.length > 1) possible.push(question);
    const differ = after.some(({ floor, ceiling }) => floor !== after[0].floor || ceiling !== after[0].ceiling);
    if (differ || decides(diagram, known, level)) asked.push(question);
  });
  const open = asked.length || now.floor === now.ceiling ? asked : possible;
  // Means are compared as fractions, exactly.
  open.sort((a, b) => a.worst - b.worst || a.sum * b.of - b.sum * a.of || a.place - b.place);
  return open.map(({ name }) => name);
}

/** Do two completions that differ in this fact alone have different tiers? */
function decides({ nodes, root, facts, highest, impossible }, known, asked) {
  const levelOf = (node) => (node < 0 ? facts.length : nodes[node][0]);
  const tier = (leaf) => Math.min(~leaf, highest);
  const child = (node, level, answer) => (levelOf(node) === level ? nodes[node][answer + 1] : node);
  const answersTo = (level) => (known[level] === null ? [...Array(facts[level].size).keys()] : [known[level]]);
  const seen = new Set();
  const passed = new Set();

  function apart(one, other) {
    if (one === other || one === impossible || other === impossible) return false;
    const level = Math.min(levelOf(one), levelOf(other));
    if (level === facts.length) return tier(one) !== tier(other);
    const pair = `${one} ${other}`;
    if (seen.has(pair)) return false;
    seen.add(pair);
    return answersTo(level).some((answer) => apart(child(one, level, answer), child(other, level, answer)));
  }

  function reach(node) {
    const level = levelOf(node);
    if (level > asked || passed.has(node)) return false;
    passed.add(node);
    const below = answersTo(level).map((answer) => child(node, level, answer));
    if (level < asked) return below.some(reach);
    return below.some((one, at) => below.slice(0, at).some((other) => apart(one, other)));
  }
  return reach(root);
}
