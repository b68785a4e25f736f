// Draws the questions of a form, and collects the answers as the contract takes them.

// make makes an element.
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value != null) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child != null && child !== false));
  return element;
}

// words turns a value of an enum into words: "HAIR_CONDITION_SOUND" without its prefix.
export const words = (value, prefix) => (value ?? "").replace(prefix, "").replaceAll("_", " ").toLowerCase();

let made = 0;
const nextID = () => `field-${++made}`;

// localTime is an instant as an input of date and time wants it.
function localTime(date) {
  return new Date(date - date.getTimezoneOffset() * 60000).toISOString().slice(0, 16);
}

// choiceOf draws radio buttons. It returns the element and a function for the value.
function choiceOf(label, choices, preset, changed) {
  const name = nextID();
  const box = make("fieldset", { class: "choices" }, make("legend", {}, label));
  for (const { value, label: text } of choices) {
    const input = make("input", { type: "radio", name, value, checked: value === preset, onchange: changed });
    box.append(make("label", { class: "chip" }, input, make("span", {}, text)));
  }
  return [box, () => box.querySelector("input:checked")?.value];
}

// inputOf draws one line of input.
function inputOf(label, attributes, unit) {
  const id = nextID();
  const input = make("input", { id, ...attributes });
  return [make("div", { class: "line" }, make("label", { for: id }, label), input, unit ? make("span", { class: "unit" }, unit) : null), () => input.value, input];
}

// drawn says how each kind of question is drawn, and what its answer is: an object, or
// null while it is not answered.
const drawn = {
  QUESTION_KIND_ANSWER(q, changed) {
    const [box, value] = choiceOf(q.question, q.choices, null, changed);
    return [box, () => value() && { answer: value() }];
  },
  QUESTION_KIND_CHOICE(q, changed) {
    const [box, value] = choiceOf(q.question, q.choices, q.usualValue, changed);
    return [box, () => value() && { choice: value() }];
  },
  QUESTION_KIND_NUMBER(q) {
    const [box, value] = inputOf(q.question, { type: "number", step: "any", min: q.minimum, max: q.maximum, value: q.usualValue, inputmode: "decimal" }, q.unit);
    return [box, () => (value() === "" ? null : { number: Number(value()) })];
  },
  QUESTION_KIND_TEXT(q) {
    const [box, value] = inputOf(q.question, { type: "text", value: q.usualValue, maxlength: 2000 });
    return [box, () => (value() === "" ? null : { text: value() })];
  },
  QUESTION_KIND_TIME(q) {
    const [box, value] = inputOf(q.question, { type: "datetime-local", value: q.usuallyNow ? localTime(new Date()) : null });
    return [box, () => (value() === "" ? null : { time: new Date(value()).toISOString() })];
  },
  QUESTION_KIND_PAST_EVENT(q, changed) {
    const [box, value] = choiceOf(q.question, q.choices, null, () => { line.hidden = value() !== "ANSWER_YES"; changed(); });
    const [line, day] = inputOf("When was it last?", { type: "date", max: localTime(new Date()).slice(0, 10) });
    line.hidden = true;
    box.append(line);
    return [box, () => {
      if (!value()) return null;
      const event = { happened: value() };
      if (value() === "ANSWER_YES" && day()) {
        const [year, month, date] = day().split("-").map(Number);
        event.lastDate = { year, month, day: date };
      }
      return { event };
    }];
  },
};

// shared is a shared choice as the answer to one question of a group.
function shared(question, value) {
  if (question.kind === "QUESTION_KIND_PAST_EVENT") return { event: { happened: value } };
  return question.kind === "QUESTION_KIND_CHOICE" ? { choice: value } : { answer: value };
}

// drawForm draws what is to be asked into an element. It returns a function that
// collects what was answered: {answers, statements}.
export function drawForm(form, into) {
  const fields = new Map(); // path -> {question, element, value}
  const groups = new Map(); // id -> {group, value: () => the choice of one tap}
  const byID = new Map((form.groups ?? []).map((g) => [g.groupId, g]));
  // A question that follows from an answer is shown once that is given.
  const follow = () => {
    for (const { question, element } of fields.values()) {
      if (!question.askedAfter) continue;
      const before = fields.has(question.askedAfter) && answerTo(fields.get(question.askedAfter), groups);
      const given = before && (before.choice ?? before.answer ?? before.event?.happened);
      element.hidden = fields.has(question.askedAfter) && !question.askedAfterValues.includes(given);
    }
  };
  const add = (question, place) => {
    const draw = drawn[question.kind];
    if (!draw) return; // a doctor's word is recorded in the software of the salon
    const [element, value] = draw(question, follow);
    fields.set(question.field, { question, element, value });
    place.append(element);
  };
  for (const question of form.questions ?? []) {
    const group = byID.get(question.group);
    if (!group) {
      add(question, into);
      continue;
    }
    if (!groups.has(group.groupId)) {
      const box = drawGroup(group, follow);
      groups.set(group.groupId, box);
      into.append(box.element);
    }
    add(question, groups.get(group.groupId).singly);
  }
  follow();
  return () => collect(fields, groups);
}

// drawGroup draws what one tap can answer, with its questions one by one behind it.
function drawGroup(group, changed) {
  const statement = group.kind === "GROUP_KIND_STATEMENT";
  const choices = statement ? [{ value: "NONE", label: group.ofClient ? "The client confirms: none" : "None of these" }] : group.sharedChoices ?? [];
  const [choice, value] = choiceOf(group.text, choices.concat({ value: "", label: "One by one" }), null, () => { singly.hidden = value() !== ""; changed(); });
  const items = make("ul", { class: "items" }, ...group.items.map((item) => make("li", {}, item.text)));
  if (statement || group.items.length < 8) choice.querySelector("legend").after(items);
  const singly = make("div", { class: "singly", hidden: true });
  return { group, element: make("section", { class: "group" }, choice, singly), singly, value };
}

// answerTo is the answer to a question: its own, or that of the one tap of its group; a
// statement answers for its items by itself.
function answerTo({ question, value }, groups) {
  const choice = groups.get(question.group)?.value() ?? "";
  if (!groups.has(question.group) || choice === "") return value();
  return choice === "NONE" ? null : shared(question, choice);
}

// collect gathers the answers. What nobody answered is left out: not asked is not "no".
function collect(fields, groups) {
  const answers = [], statements = [];
  for (const { group, value } of groups.values()) {
    if (value() !== "NONE") continue;
    const statement = { statementId: group.groupId, version: group.version };
    if (group.ofClient) statement.clientConfirmation = "CLIENT_CONFIRMATION_ON_SCREEN";
    statements.push(statement);
  }
  for (const field of fields.values()) {
    const answer = field.element.hidden ? null : answerTo(field, groups);
    const seen = /\.(scalp|hair|tests)\./.test(field.question.field);
    if (answer) answers.push({ field: field.question.field, origin: seen ? "ANSWER_ORIGIN_SEEN" : "ANSWER_ORIGIN_ASKED", ...answer });
  }
  return { answers, statements };
}
