import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.parser.IParser;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import ca.uhn.fhir.validation.ValidationOptions;
import com.fasterxml.jackson.core.JsonFactory;
import com.fasterxml.jackson.core.StreamReadConstraints;
import com.fasterxml.jackson.databind.JsonNode;
import com.fasterxml.jackson.databind.ObjectMapper;
import com.fasterxml.jackson.databind.node.ArrayNode;
import com.fasterxml.jackson.databind.node.ObjectNode;
import java.io.BufferedReader;
import java.io.ByteArrayInputStream;
import java.io.IOException;
import java.io.InputStream;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.io.UncheckedIOException;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.List;
import java.util.Locale;
import java.util.Set;
import java.util.regex.Matcher;
import java.util.regex.Pattern;
import java.util.stream.Stream;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirDefaultPolicyAdvisor;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r5.context.IWorkerContext;
import org.hl7.fhir.r5.elementmodel.Element;
import org.hl7.fhir.r5.elementmodel.Manager;
import org.hl7.fhir.r5.model.CanonicalResource;
import org.hl7.fhir.r5.model.CanonicalType;
import org.hl7.fhir.r5.model.ElementDefinition;
import org.hl7.fhir.r5.model.StructureDefinition;
import org.hl7.fhir.r5.utils.validation.IMessagingServices;
import org.hl7.fhir.r5.utils.validation.IResourceValidator;
import org.hl7.fhir.r5.utils.validation.IValidationPolicyAdvisor;
import org.hl7.fhir.r5.utils.validation.IValidatorResourceFetcher;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;
import org.hl7.fhir.r5.utils.validation.constants.ReferenceValidationPolicy;
import org.hl7.fhir.utilities.http.ManagedWebAccess;
import org.hl7.fhir.utilities.validation.ValidationMessage;
import org.hl7.fhir.validation.instance.InstanceValidator;
import org.hl7.fhir.validation.instance.advisor.BasePolicyAdvisorForFullValidation;

/**
 * Reads lines {"id", "resource": "text of a resource", "profiles": [urls]} and writes lines
 * {"id", "issues": [{"severity", "location", "code", "message"}]} in the same order.
 * No terminology server is asked: codes are judged by the published value sets alone.
 *
 * <p>Usage: Validate [FOLDER with StructureDefinition, ValueSet and CodeSystem files]
 */
public final class Validate {
  /** The published Bundles of all definitions are longer than Jackson takes by itself. */
  private static final ObjectMapper JSON =
      new ObjectMapper(
          JsonFactory.builder()
              .streamReadConstraints(
                  StreamReadConstraints.builder().maxStringLength(Integer.MAX_VALUE).build())
              .build());

  /**
   * Part of what it says of every definition of an extension: it would look up the element that
   * the extension stands in in a package from the network. That is no fault of the definition.
   */
  private static final String NO_PACKAGE = "Unable to resolve package id hl7.fhir.r4.core";

  private Validate() {}

  public static void main(String[] args) throws IOException {
    // It would look for packages on the way; what is not here is not asked for.
    ManagedWebAccess.setAccessPolicy(ManagedWebAccess.WebAccessPolicy.PROHIBITED);
    FhirValidator validator = newValidator(args);
    // The validator prints its progress to standard output, which is ours.
    PrintStream out = new PrintStream(System.out, false, StandardCharsets.UTF_8);
    System.setOut(System.err);
    try (BufferedReader in =
        new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8))) {
      // A chunk at a time, so that all cores work and the order stays.
      for (List<String> chunk = read(in); !chunk.isEmpty(); chunk = read(in)) {
        chunk.parallelStream().map(line -> verdict(validator, line)).toList().forEach(out::println);
      }
    }
    out.flush();
  }

  private static List<String> read(BufferedReader in) throws IOException {
    List<String> lines = new ArrayList<>();
    for (String line; lines.size() < 256 && (line = in.readLine()) != null; ) {
      lines.add(line);
    }
    return lines;
  }

  private static String verdict(FhirValidator validator, String line) {
    try {
      JsonNode request = JSON.readTree(line);
      ObjectNode verdict = JSON.createObjectNode();
      verdict.set("id", request.get("id"));
      verdict.set("issues", issues(validator, request));
      return JSON.writeValueAsString(verdict);
    } catch (IOException e) {
      throw new UncheckedIOException(e);
    }
  }

  private static FhirValidator newValidator(String[] args) throws IOException {
    FhirContext context = FhirContext.forR4();
    PrePopulatedValidationSupport own = new PrePopulatedValidationSupport(context);
    for (String folder : args) {
      addDefinitions(context.newJsonParser(), Path.of(folder), own);
    }
    // A value set may list codes of a system that is not here, such as LOINC.
    UnknownCodeSystemWarningValidationSupport elsewhere =
        new UnknownCodeSystemWarningValidationSupport(context);
    elsewhere.setNonExistentCodeSystemSeverity(IValidationSupport.IssueSeverity.WARNING);
    ValidationSupportChain support =
        new ValidationSupportChain(
            new DefaultProfileValidationSupport(context),
            own,
            new SnapshotGeneratingValidationSupport(context),
            new CommonCodeSystemsTerminologyService(context),
            new InMemoryTerminologyServerValidationSupport(context),
            elsewhere);
    // A CodeableConcept fits a value set when one of its codings does
    // (hl7.org/fhir/R4/terminologies.html#required); without this all of them must.
    support.setCodeableConceptValidationSuccessfulIfNotAllCodingsAreValid(true);
    FhirInstanceValidator module = new FhirInstanceValidator(support);
    module.setBestPracticeWarningLevel(BestPracticeWarningLevel.Ignore);
    module.setAnyExtensionsAllowed(true);
    // Without these two the type of a reference's target and vital signs go unchecked.
    module.setValidatorPolicyAdvisor(new Policy());
    module.setValidatorResourceFetcher(new Everything());
    return context.newValidator().registerValidatorModule(module);
  }

  private static void addDefinitions(
      IParser parser, Path folder, PrePopulatedValidationSupport own) throws IOException {
    List<Path> files;
    try (Stream<Path> all = Files.walk(folder)) {
      files =
          all.filter(f -> f.getFileName().toString().matches("(StructureDefinition|ValueSet|CodeSystem)-.*\\.json"))
              .sorted()
              .toList();
    }
    for (Path file : files) {
      IBaseResource resource = parser.parseResource(Files.readString(file));
      own.addResource(resource);
    }
  }

  private static ArrayNode issues(FhirValidator validator, JsonNode request) {
    ArrayNode issues = JSON.createArrayNode();
    ValidationOptions options = new ValidationOptions();
    request.path("profiles").forEach(url -> options.addProfile(url.textValue()));
    String resource = request.get("resource").textValue();
    try {
      for (SingleValidationMessage m : validator.validateWithResult(resource, options).getMessages()) {
        if (m.getMessage().contains(NO_PACKAGE)) {
          continue;
        }
        issues.add(issue(m.getSeverity().getCode(), m.getLocationString(), m.getMessageId(), m.getMessage()));
      }
    } catch (RuntimeException e) {
      // It gives up on some texts, such as one that is no JSON; that is a refusal.
      issues.add(issue("fatal", "", e.getClass().getSimpleName(), e.getMessage()));
    }
    return issues;
  }

  private static ObjectNode issue(String severity, String location, String code, String message) {
    return JSON.createObjectNode()
        .put("severity", severity)
        .put("location", location)
        .put("code", code)
        .put("message", message);
  }

  /**
   * Checks the type of what a reference leads to wherever the reference tells it, and a vital sign
   * against its profile by its code, as HL7's own command line does.
   */
  private static final class Policy extends FhirDefaultPolicyAdvisor {
    private final IValidationPolicyAdvisor full =
        new BasePolicyAdvisorForFullValidation(ReferenceValidationPolicy.CHECK_TYPE_IF_EXISTS, Set.of());

    @Override
    public List<StructureDefinition> getImpliedProfilesForResource(
        IResourceValidator validator,
        Object appContext,
        String path,
        ElementDefinition definition,
        StructureDefinition structure,
        Element resource,
        boolean valid,
        IMessagingServices messages,
        List<ValidationMessage> issues) {
      return full.getImpliedProfilesForResource(
          validator, appContext, path, definition, structure, resource, valid, messages, issues);
    }

    @Override
    public ReferenceValidationPolicy policyForReference(
        IResourceValidator validator,
        Object appContext,
        String path,
        String url,
        ReferenceDestinationType destinationType) {
      return ReferenceValidationPolicy.CHECK_TYPE_IF_EXISTS;
    }
  }

  /**
   * Plays a server that has every resource that a reference names, so that its type is
   * judged; the resource holds nothing, so nothing else of it is.
   */
  private static final class Everything implements IValidatorResourceFetcher {
    private static final Pattern RESTFUL =
        Pattern.compile("(?:.*/)?([A-Z][A-Za-z]+)/([A-Za-z0-9.-]{1,64})(?:/_history/[A-Za-z0-9.-]{1,64})?");

    @Override
    public Element fetch(IResourceValidator validator, Object appContext, String url)
        throws IOException {
      Matcher m = RESTFUL.matcher(url);
      if (!m.matches()) {
        return null;
      }
      IWorkerContext context = ((InstanceValidator) validator).getContext();
      if (!context.getResourceNamesAsSet().contains(m.group(1))) {
        return null;
      }
      String text = JSON.createObjectNode().put("resourceType", m.group(1)).put("id", m.group(2)).toString();
      InputStream bytes = new ByteArrayInputStream(text.getBytes(StandardCharsets.UTF_8));
      return Manager.parseSingle(context, bytes, Manager.FhirFormat.JSON);
    }

    @Override
    public boolean resolveURL(
        IResourceValidator validator,
        Object appContext,
        String path,
        String url,
        String type,
        boolean canonical,
        List<CanonicalType> targets) {
      return true;
    }

    @Override
    public byte[] fetchRaw(IResourceValidator validator, String url) {
      return null;
    }

    @Override
    public IValidatorResourceFetcher setLocale(Locale locale) {
      return this;
    }

    @Override
    public CanonicalResource fetchCanonicalResource(
        IResourceValidator validator, Object appContext, String url) {
      return null;
    }

    @Override
    public boolean fetchesCanonicalResource(IResourceValidator validator, String url) {
      return false;
    }

    @Override
    public Set<ResourceVersionInformation> fetchCanonicalResourceVersions(
        IResourceValidator validator, Object appContext, String url) {
      return Set.of();
    }
  }
}
