// Makes and uses passkeys at one press. Every word it shows stands in the page already.
// What the browser is asked comes from the server when the button is pressed, and its answer goes back by the form.
(() => {
  "use strict";

  document.querySelectorAll("form[data-passkey]").forEach((form) => {
    const button = form.querySelector("[data-needs-script] button");
    const say = (name) => {
      for (const one of form.querySelectorAll("[data-say]")) one.hidden = one.dataset.say !== name;
    };
    if (location.origin !== form.dataset.origin) { say("elsewhere"); return; }
    if (!window.isSecureContext || !window.PublicKeyCredential) { say("cannot"); return; }
    say("");
    form.querySelector("[data-needs-script]").hidden = false;

    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (button.disabled) return;
      button.disabled = true;
      say("working");
      try {
        const body = new URLSearchParams({ csrf_token: form.elements.csrf_token.value });
        const asked = await fetch(form.dataset.ask, { method: "POST", body, redirect: "manual", cache: "no-store" });
        if (!asked.ok) { say(asked.status === 429 ? "often" : "failed"); return; }
        const publicKey = inBytes(await asked.json());
        const credential = form.dataset.passkey === "make"
          ? await navigator.credentials.create({ publicKey })
          : await navigator.credentials.get({ publicKey });
        form.elements.signed.value = JSON.stringify(inWords(credential));
        form.submit();
      } catch (error) {
        const told = { NotAllowedError: "refused", AbortError: "refused", InvalidStateError: "held" };
        say(error && told[error.name] || "failed");
      } finally {
        button.disabled = false;
      }
    });
  });

  // Bytes travel as base64url without padding (RFC 4648, section 5), both ways.
  function bytes(words) {
    const plain = atob(words.replace(/-/g, "+").replace(/_/g, "/"));
    return Uint8Array.from(plain, (sign) => sign.charCodeAt(0));
  }

  function words(buffer) {
    const plain = Array.from(new Uint8Array(buffer), (byte) => String.fromCharCode(byte)).join("");
    return btoa(plain).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  }

  function inBytes(options) {
    const named = (all) => (all || []).map((one) => ({ ...one, id: bytes(one.id) }));
    const made = { ...options, challenge: bytes(options.challenge) };
    if (options.user) made.user = { ...options.user, id: bytes(options.user.id) };
    if (options.excludeCredentials) made.excludeCredentials = named(options.excludeCredentials);
    if (options.allowCredentials) made.allowCredentials = named(options.allowCredentials);
    return made;
  }

  function inWords(credential) {
    const response = {};
    for (const part of ["clientDataJSON", "attestationObject", "authenticatorData", "signature", "userHandle"]) {
      if (credential.response[part]) response[part] = words(credential.response[part]);
    }
    return { id: credential.id, rawId: words(credential.rawId), type: credential.type, response };
  }
})();
