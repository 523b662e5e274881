// Sends on a form that has waited; without script its button does.
document.getElementById("held").requestSubmit();
