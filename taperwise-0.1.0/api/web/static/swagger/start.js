window.addEventListener("load", () => {
  window.SwaggerUIBundle({
    url: "openapi.json",
    dom_id: "#api",
    deepLinking: true,
    validatorUrl: null,
    defaultModelsExpandDepth: 0,
  });
});
