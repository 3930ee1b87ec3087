"use strict";
(() => {
  const shown = new Map();
  const put = (id, html) => {
    if (shown.get(id) !== html) {
      shown.set(id, html);
      document.getElementById(id).innerHTML = html;
    }
  };
  let failures = 0;
  const look = async () => {
    try {
      const answer = await fetch("state", { signal: AbortSignal.timeout(8000) });
      if (!answer.ok) throw new Error(answer.status);
      const now = await answer.json();
      failures = 0;
      document.title = now.title;
      for (const [id, html] of Object.entries(now.parts)) put(id, html);
      if (now.over) return;
    } catch {
      failures += 1;
      if (failures === 3) {
        put("state", "<p class=\"alert\"><strong>Nobody serves this page any more.</strong> Watching was ended; the copy may go on. What is shown is the last that was known.</p>");
      }
      if (failures === 10) return;
    }
    setTimeout(look, 1000);
  };
  setTimeout(look, 1000);
})();
