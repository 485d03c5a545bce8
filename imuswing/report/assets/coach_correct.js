// Corrections: collected on the page, in the words that imuswing mark takes; nothing is changed here.
const corrections = (() => {
  const by = (id) => document.getElementById(id);
  const plain = (text) => text.replace(/[=@\s]+/g, " ").trim();

  // texts: of the catalogue; fill, write: as the page does; pick: shows a shot everywhere; changed: called after each.
  const make = (shots, { texts, fill, write, pick, changed }) => {
    const kept = [];
    const state = { shot: null, time: 0 };
    const at = (shot) => `@${shot.at.impact.toFixed(3)}`;
    const name = (shot) => `${shot.title} · ${shot.recording}`;

    const set = (what, line, words) => {
      const shot = state.shot;
      const others = kept.filter((one) => one.shot === shot);
      // A later word on the same question takes the place of an earlier one; of a swing that is none nothing else is said.
      others.filter((one) => one.what === what || what === "delete" || one.what === "delete")
        .forEach((one) => kept.splice(kept.indexOf(one), 1));
      kept.push({ shot, what, line, words });
      draw();
    };
    const sheet = () => {
      const files = [...new Set(kept.map((one) => one.shot.at.file))];
      const parts = files.map((file) => [file, ...kept.filter((one) => one.shot.at.file === file).map((one) => one.line)].join("\n"));
      return `${parts.join("\n\n")}\n`;
    };
    const draw = () => {
      by("correct-list").replaceChildren(...kept.map((one) => {
        const item = document.createElement("li");
        const shown = document.createElement("button");
        shown.type = "button";
        shown.textContent = name(one.shot);
        shown.addEventListener("click", () => pick(one.shot.key));
        const away = document.createElement("button");
        away.type = "button";
        away.textContent = texts["correct.take_back"];
        away.setAttribute("aria-label", `${texts["correct.take_back"]}: ${name(one.shot)}, ${one.words}`);
        away.addEventListener("click", () => {
          kept.splice(kept.indexOf(one), 1);
          draw();
          by("correct-outcome").focus();
        });
        item.append(shown, ` ${one.words} `, away);
        return item;
      }));
      by("correct-none").hidden = kept.length > 0;
      by("correct-kept").hidden = kept.length === 0;
      by("correct-sheet").value = kept.length ? sheet() : "";
      by("correct-said").textContent = fill("correct.count", { n: kept.length });
      changed(new Set(kept.map((one) => one.shot.key)));
    };

    const before = (shot) => Math.max(shot.at.takeaway - 0.5, 0);
    const intent = (shot, block) => {
      const other = shots.find((one) => one.at && one.at.file === shot.at.file && one.filters.block === block && one.at.intent);
      return other ? `=${other.at.intent}` : "";
    };
    const block = (alone) => {
      const shot = state.shot;
      const chosen = plain(by("correct-block").value);
      if (!chosen) { by("correct-block").focus(); return; }
      const end = alone ? `-${shot.at.finish.toFixed(3)}` : "";
      const words = fill(alone ? "correct.told_block" : "correct.told_from", { block: chosen });
      set("block", `block ${chosen}@${before(shot).toFixed(3)}${end}${intent(shot, chosen)}`, words);
    };
    const outcome = () => {
      const text = by("correct-outcome").value.trim();
      const words = text ? fill("correct.told_outcome", { outcome: text }) : texts["correct.told_no_outcome"];
      set("outcome", `outcome ${at(state.shot)}=${text}`, words);
    };
    by("correct-form").addEventListener("submit", (event) => { event.preventDefault(); outcome(); });
    by("correct-kind").addEventListener("click", () => {
      const other = state.shot.shot ? "practice" : "shot";
      set("kind", `kind ${at(state.shot)}=${other}`, texts[`correct.told_${other}`]);
    });
    by("correct-delete").addEventListener("click", () => set("delete", `delete ${at(state.shot)}`, texts["correct.told_delete"]));
    by("correct-impact").addEventListener("click", () => {
      const time = state.shot.at.impact + state.time;
      set("move", `move ${at(state.shot)}=${time.toFixed(3)}`, fill("correct.told_impact", { time: write(state.time, 3, true) }));
    });
    by("correct-from").addEventListener("click", () => block(false));
    by("correct-alone").addEventListener("click", () => block(true));
    by("correct-save").addEventListener("click", () => {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([sheet()], { type: "text/plain" }));
      link.download = "corrections.txt";
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    });
    by("correct-copy").addEventListener("click", () => {
      by("correct-sheet").select();
      document.execCommand("copy");
    });
    const fillIn = (id, values) => by(id).replaceChildren(...[...new Set(values.filter(Boolean))].map((value) => new Option(value, value)));
    fillIn("outcomes-known", shots.map((shot) => shot.filters.outcome));
    fillIn("blocks-known", shots.map((shot) => shot.filters.block));

    // The shot that the page shows, and where its cursor stands.
    const show = (shot, time) => {
      const other = shot !== state.shot;
      state.shot = shot;
      state.time = time;
      if (!shot) return;
      by("correct-shot").textContent = name(shot);
      if (other) {
        by("correct-outcome").value = shot.filters.outcome || "";
        by("correct-block").value = shot.filters.block || "";
        by("correct-kind").textContent = texts[shot.shot ? "correct.is_practice" : "correct.is_shot"];
      }
      by("correct-impact").textContent = fill("correct.impact_here", { time: write(time, 2, true) });
      const top = shot.moments.top ?? -9;
      by("correct-impact").disabled = Math.abs(time) < 0.0005 || time <= top || time > (shot.moments.finish ?? 9);
      by("correct-tools").hidden = !shot.at;
      by("correct-nameless").hidden = Boolean(shot.at);
    };
    draw();
    return { show };
  };
  return { make };
})();
