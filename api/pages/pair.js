// Exchanges the code behind # for a token of this phone. The code stands in no
// request's address, and leaves this page's address once it is used.
(() => {
  const code = location.hash.slice(1);
  const at = (id) => document.getElementById(id);
  const show = (id) => {
    for (const one of ["ready", "paired", "none"]) at(one).hidden = one !== id;
  };
  if (!/^pwp_[A-Za-z0-9_-]{64}_[0-9a-f]{8}$/.test(code)) return;
  // The first 16 bytes of the code are the club's id.
  const club = [...atob(code.slice(4, 28).replaceAll("-", "+").replaceAll("_", "/"))]
    .slice(0, 16).map((c) => c.charCodeAt(0).toString(16).padStart(2, "0")).join("")
    .replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
  // The key of this exchange outlives a lost answer and a reload, so that
  // pressing again has the same token.
  const slot = "pinwright pairing " + code.slice(-8);
  const keyOf = async () => {
    let key = sessionStorage.getItem(slot);
    if (!key) {
      const made = await fetch("/v1/new-id");
      if (!made.ok) throw new Error("no key");
      key = (await made.text()).trim();
      sessionStorage.setItem(slot, key);
    }
    return key;
  };
  at("pair").addEventListener("click", async () => {
    at("pair").disabled = true;
    at("told").textContent = "One moment …";
    try {
      const answer = await fetch(`/v1/clubs/${club}/pairings/accept`, {
        method: "POST",
        headers: { Authorization: `Bearer ${code}`, "Idempotency-Key": await keyOf() },
        cache: "no-store",
        credentials: "omit",
      });
      const body = await answer.json();
      if (answer.ok) {
        history.replaceState(null, "", location.pathname);
        sessionStorage.removeItem(slot);
        at("whose").textContent = `This phone is paired with ${body.member.name} in ${body.club.name}.`;
        at("token").value = body.token.token;
        show("paired");
        return;
      }
      at("told").textContent = answer.status === 401
        ? "This code is used, called off or older than ten minutes. Show a new one and scan that."
        : body.detail;
    } catch {
      at("told").textContent = "The answer did not arrive. Press again: it pairs this phone once.";
    }
    at("pair").disabled = false;
  });
  at("copy").addEventListener("click", async () => {
    at("token").select();
    try {
      await navigator.clipboard.writeText(at("token").value);
      at("copied").textContent = "Copied.";
    } catch {
      at("copied").textContent = "It is selected: copy it with your phone's own menu.";
    }
  });
  show("ready");
})();
